"""The ground a scene lies on, the light that falls on it, and the camera."""
import cv2
import numpy as np

from paint import TURN, any_colour, blur, chance, grid, hsv, noise, pick, step, turned

# What phones and scanners see: hue, saturation and value ranges, and how often.
PHONE = (((0, 180), (0, 60), (3, 45), 18), ((0, 180), (0, 50), (40, 95), 16),
         ((0, 180), (0, 30), (90, 135), 8), ((102, 128), (110, 250), (50, 235), 26),
         ((95, 115), (70, 170), (120, 215), 6), ((0, 20), (40, 160), (35, 125), 12),
         ((40, 90), (60, 220), (30, 140), 6), ((0, 180), (60, 220), (30, 150), 8))
SCAN = (((0, 180), (0, 40), (4, 45), 60), ((0, 180), (0, 25), (55, 140), 18),
        ((95, 120), (40, 180), (130, 230), 22))


def ground_colour(rng, palette):
    hue, saturation, value, _ = pick(rng, palette, [row[3] for row in palette])
    return hsv(rng.integers(*hue), rng.uniform(*saturation), rng.uniform(*value))


def fibres(rng, h, w):
    """Card, felt: short strokes in one direction."""
    size = int(rng.integers(3, 9))
    stroke = np.zeros((size, size), np.float32)
    cv2.line(stroke, (0, size // 2), (size - 1, size // 2), 1)
    spin = cv2.getRotationMatrix2D(((size - 1) / 2, (size - 1) / 2), rng.uniform(0, 180), 1)
    stroke = cv2.warpAffine(stroke, spin, (size, size))
    speckle = noise(rng, h, w, rng.uniform(1, 2.5))
    return 2 * cv2.filter2D(speckle, -1, stroke / max(stroke.sum(), .1))


def weave(rng, h, w):
    """Cloth, or stripes."""
    pitch = rng.uniform(2.2, 10)
    u, v = turned(h, w, rng.uniform(0, TURN))
    loose = noise(rng, h, w, 12) * .6
    wave = np.sin(TURN * u / pitch + loose)
    if chance(rng, .65):
        wave = wave * np.sin(TURN * v / pitch + loose)
    return wave + .5 * noise(rng, h, w, 1.5)


def leather(rng, h, w):
    grain = np.abs(noise(rng, h, w, rng.uniform(3, 12)))
    lit = 2 * (np.roll(grain, 1, 1) - grain) if chance(rng, .6) else 0
    return 1.5 * (np.minimum(grain, np.abs(noise(rng, h, w, 4))) - .4) + lit


def wood(rng, h, w):
    u, v = turned(h, w, rng.uniform(0, TURN))
    map_x, map_y = np.abs(u * .05) % w, np.abs(v) % h
    streak = cv2.remap(noise(rng, h, w, 3), map_x, map_y, cv2.INTER_LINEAR,
                       borderMode=cv2.BORDER_REFLECT)
    return 1.5 * streak + np.sin(v / rng.uniform(3, 15) + noise(rng, h, w, 60) * 2)


def draw_ground(rng, family, h, w):
    """A picture of the empty ground."""
    colour = ground_colour(rng, PHONE if family == 'phone' else SCAN)
    light = np.ones((h, w), np.float32)
    if family != 'phone':
        light += pick(rng, (0, .02, .05)) * noise(rng, h, w, rng.uniform(1, 3))
        light += pick(rng, (0, .03)) * noise(rng, h, w, rng.uniform(20, 80))
        return light[..., None] * colour + pick(rng, (0, 1, 3)) * noise(rng, h, w, 1)[..., None]
    grain = pick(rng, (None, fibres, weave, leather, wood), (.3, .22, .18, .18, .12))
    if grain:
        light += pick(rng, (.02, .05, .1, .2), (3, 4, 3, 1)) * grain(rng, h, w).astype(np.float32)
    light += pick(rng, (0, .01, .03)) * rng.standard_normal((h, w), dtype=np.float32)
    image = light[..., None] * colour
    if chance(rng, .25):
        blotch = np.clip(noise(rng, h, w, rng.uniform(20, 120)), 0, 1.5)[..., None] * .3
        image = image * (1 - blotch) + blotch * (colour[rng.permutation(3)] * rng.uniform(.4, 1.6))
    if chance(rng, .12):
        second_surface(rng, image)
    if chance(rng, .2):
        creases(rng, image)
    if chance(rng, .15):  # seams, scratches, light stripes
        for _ in range(rng.integers(1, 8)):
            ends = rng.uniform(-.1, 1.1, 4) * (w, h, w, h)
            tone = colour * rng.uniform(.3, 2.2) + pick(rng, (0, 0, 60))
            cv2.line(image, ends[:2].astype(int).tolist(), ends[2:].astype(int).tolist(),
                     tone.tolist(), int(rng.integers(1, 5)), cv2.LINE_AA)
    return np.clip(image, 0, 255)


def second_surface(rng, image):
    """Another ground beyond a line across the picture."""
    h, w = image.shape[:2]
    u, _ = turned(h, w, rng.uniform(0, TURN))
    share = step(u - rng.uniform(-.4, .4) * w, rng.uniform(.3, 4))[..., None]
    image += share * (any_colour(rng, (0, 120), (0, 240)) - image)


def creases(rng, image):
    """Folds: one flank soft, the other sharper."""
    h, w = image.shape[:2]
    for _ in range(rng.integers(1, 4)):
        u, v = turned(h, w, rng.uniform(0, TURN))
        u = u - rng.uniform(-.5, .5) * w + noise(rng, h, w, 50) * 4
        flank = np.where(u > 0, rng.uniform(.7, 14), rng.uniform(.7, 14))
        ends = np.exp(-((v - rng.uniform(-.4, .4) * h) / (rng.uniform(.1, .5) * h)) ** 2)
        image *= (1 + rng.uniform(-.6, .6) * np.exp(-(u / flank) ** 2) * ends)[..., None]


def lighting(rng, image):
    """Fall-off, vignette, glare and the soft or hard shadow of a phone."""
    h, w = image.shape[:2]
    if chance(rng, .5):
        u, _ = turned(h, w, rng.uniform(0, TURN))
        image *= np.clip(1 + rng.uniform(0, .6) * u / w, .3, 2)[..., None]
    y, x = grid(h, w)
    if chance(rng, .2):
        image *= (1 - rng.uniform(.1, .7) * 1.5 * (x * x + y * y) / (w * w))[..., None]
    if chance(rng, .12):
        far = np.hypot(x / w - rng.uniform(-.6, .6), y / h - rng.uniform(-.6, .6))
        image += (rng.uniform(20, 110) * np.exp(-far ** 2 / rng.uniform(.02, .3)))[..., None]
    if chance(rng, .2):
        u, _ = turned(h, w, rng.uniform(0, TURN))
        line = u - rng.uniform(-.4, .4) * w + noise(rng, h, w, h / 4) * rng.uniform(0, .06) * w
        image *= (1 - rng.uniform(.2, .7) * step(line, pick(rng, (.006, .02, .08)) * w))[..., None]


def camera(rng, image, family, zoom):
    """Colour cast, tone curve, blur, sharpening, noise, JPEG: floats to bytes."""
    clean = family != 'phone' and chance(rng, .7)
    image = image * np.exp(rng.normal(0, .02 if clean else .07, 3)).astype(np.float32)
    image *= np.float32(np.exp(rng.normal(0, .12)))
    if chance(rng, .3):
        image = 255 * np.clip(image / 255, 0, None) ** rng.uniform(.75, 1.35)
    if chance(rng, .25) and not clean:
        image += rng.uniform(0, 25)  # veil
    soft = pick(rng, (0, .4, .55) if clean else (0, .4, .7, 1.1, 1.5)) * rng.uniform(.7, 1.2)
    soft *= max(1, zoom * .8)
    if soft > .25:
        image = blur(image, soft)
    if not clean and chance(rng, .1):
        image = shaken(rng, image)
    if chance(rng, .35):
        halo = rng.uniform(.3, 1.6) * (.5 if clean else 1)
        image = image + halo * (image - blur(image, rng.uniform(.6, 2.2)))
    grain = pick(rng, (0, 1.5, 3) if clean else (0, 1.5, 4, 9))
    if grain:
        image = image + rng.standard_normal(image.shape, dtype=np.float32) * np.float32(
            grain * (rng.uniform(.5, 1.5, 3) if chance(rng, .5) else 1))
    image = np.clip(image, 0, 255).astype(np.uint8)
    if chance(rng, .75):  # OpenCV writes 4:2:0
        quality = int(rng.integers(82, 97) if clean else rng.integers(35, 96))
        image = cv2.imdecode(cv2.imencode('.jpg', image, [cv2.IMWRITE_JPEG_QUALITY, quality])[1], 1)
    return image


def shaken(rng, image):
    """Motion blur of a few pixels."""
    trace = np.zeros((7, 7), np.float32)
    cv2.line(trace, (1, 3), (int(rng.integers(3, 7)), 3), 1)
    trace = cv2.warpAffine(trace, cv2.getRotationMatrix2D((3, 3), rng.uniform(0, 180), 1), (7, 7))
    return cv2.filter2D(image, -1, trace / max(trace.sum(), .1))
