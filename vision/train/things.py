"""What is no rice: foreign bodies as sprites, clutter on the tray, objects set aside whole."""
import cv2
import numpy as np

from paint import (TURN, any_colour, blur, chance, grid, hsv, mark, noise, paste, pick,
                   print_mask, shade, step, turned, whitish)
from piece import Sprite


# Foreign bodies: about as large as kernels, told from rice by the map `foreign`.

def lump(rng, radius, bumps, stretch=1.):
    """A roundish outline with bumps; alpha, y, x, share of the radius."""
    side = 2 * int(radius * 1.5 * stretch + 3) + 1
    x, y = turned(side, side, rng.uniform(0, TURN))
    x = x / stretch
    around = np.arctan2(y, x)
    edge = radius * (1 + sum(rng.uniform(-bumps, bumps) * np.cos(k * around + rng.uniform(0, TURN))
                             for k in (2, 3, 5, 7)))
    far = np.hypot(x, y)
    return np.clip(edge - far + .5, 0, 1).astype(np.float32), y, x, far / edge


def stone(rng, width):
    alpha, y, x, share = lump(rng, width * rng.uniform(.25, .8), pick(rng, (.05, .12, .18)),
                              rng.uniform(1, 1.8))
    colour = hsv(rng.integers(0, 30), rng.uniform(5, 110), rng.uniform(25, 190))
    rough = noise(rng, *alpha.shape, max(1.2, width * rng.uniform(.06, .25)))
    light = 1 + rng.uniform(.02, .2) * rough + rng.uniform(-.3, .3) * (x + y) / width
    return colour * light[..., None], alpha


def round_seed(rng, width):
    """Weed seed, peppercorn, bead: round, dark or coloured, a highlight."""
    alpha, y, x, share = lump(rng, width * rng.uniform(.2, .6), .02, rng.uniform(1, 1.35))
    colour = hsv(rng.integers(0, 35), rng.uniform(20, 200), rng.uniform(12, 130))
    if chance(rng, .2):
        colour = any_colour(rng)
    light = 1 - rng.uniform(0, .6) * share ** 2
    far = np.hypot(x + .3 * width, y + .2 * width) / width
    spot = np.exp(-(far / rng.uniform(.1, .3)) ** 2)
    return colour * light[..., None] + rng.uniform(0, 120) * spot[..., None], alpha


def flat_seed(rng, width):
    """Flat, drop-shaped seed with a rim."""
    alpha, y, x, share = lump(rng, width * rng.uniform(.3, .6), .03, rng.uniform(1.3, 2.2))
    colour = hsv(rng.integers(5, 28), rng.uniform(40, 190), rng.uniform(20, 170))
    light = 1 + rng.uniform(-.4, .5) * step(share - .75, .04) + .2 * np.sin(3 * y)
    return colour * light[..., None], alpha


def husk(rng, width):
    """An empty husk or a flake of it: a bowed sliver with ribs along."""
    length, broad = width * rng.uniform(1.1, 3.2), width * rng.uniform(.2, .75)
    side = 2 * int(length / 2 + 3) + 1
    u, v = turned(side, side, rng.uniform(0, TURN))
    q = np.clip(1 - (2 * u / length) ** 2, 0, 1)
    v = v - rng.uniform(-.6, .6) * broad * (.5 - q)
    alpha = np.clip(broad / 2 * np.sqrt(q) - np.abs(v) + .3, 0, 1) * (q > 0)
    if chance(rng, .4):  # torn
        alpha *= np.clip(noise(rng, side, side, broad) * 3 + 1.5, 0, 1)
    colour = hsv(rng.integers(10, 24), rng.uniform(70, 190), rng.uniform(80, 225))
    light = 1 + rng.uniform(-.6, .4) * (1 - 2 * np.abs(v) / broad)
    light = light + .2 * np.sin(v * TURN / (.18 * width + 1))
    return colour * light[..., None], alpha.astype(np.float32)


def insect(rng, width):
    """Two or three dark segments in a row, with legs."""
    length = width * rng.uniform(.9, 2.2)
    side = 2 * int(length * .75 + 4) + 1
    u, v = turned(side, side, rng.uniform(0, TURN))
    alpha = np.zeros((side, side), np.float32)
    for at, size in ((-.28, .3), (.06, .17), (.32, .14)):
        size *= length
        far = np.hypot((u - at * length) / size, v / (rng.uniform(.6, 1) * size))
        alpha = np.maximum(alpha, np.clip((1 - far) * size + .5, 0, 1))
    for _ in range(6):
        a, centre = rng.uniform(0, TURN), side // 2
        tip = (int(centre + .5 * length * np.cos(a)), int(centre + .5 * length * np.sin(a)))
        cv2.line(alpha, (centre, centre), tip, rng.uniform(.4, 1), 1, cv2.LINE_AA)
    colour = hsv(rng.integers(0, 20), rng.uniform(40, 200), rng.uniform(10, 90))
    return colour * (1 + .4 * np.cos(u * TURN / (.2 * width + 1)))[..., None], alpha


def shard(rng, width):
    """Glass, plastic, a wood chip, a crumb: straight sides, one tone or a grain."""
    side = 2 * int(width * 1.5 + 3) + 1
    long, broad = width * rng.uniform(.4, 1.4), width * rng.uniform(.15, .6)
    around = np.sort(rng.uniform(0, TURN, rng.integers(3, 7)))
    a = rng.uniform(0, TURN)
    points = np.stack([long * np.cos(around), broad * np.sin(around)], 1)
    points = points @ np.array([[np.cos(a), np.sin(a)], [-np.sin(a), np.cos(a)]]) + side // 2
    alpha = np.zeros((side, side), np.float32)
    cv2.fillPoly(alpha, [np.int32(points * 16)], 1, cv2.LINE_AA, 4)
    u, v = turned(side, side, a)
    kind = rng.random()
    if kind < .4:     # wood
        colour = hsv(rng.integers(8, 22), rng.uniform(60, 170), rng.uniform(70, 210))
        return colour * (1 + .25 * np.sin(v * TURN / rng.uniform(2, 5)))[..., None], alpha
    if kind < .75:    # plastic
        colour = any_colour(rng, (100, 255), (60, 250))
        return colour * (1 + rng.uniform(-.3, .3) * u / width)[..., None], alpha
    rim = np.clip(alpha - cv2.erode(alpha, np.ones((3, 3))), 0, 1)  # glass: see-through, bright rim
    solid = alpha * rng.uniform(.15, .4) + .6 * rim
    return np.full((side, side, 3), rng.uniform(150, 255), np.float32), alpha, solid


def draw_foreign(rng, width):
    makers = (stone, round_seed, flat_seed, husk, insect, shard)
    colour, alpha, *solid = pick(rng, makers, (.3, .2, .1, .2, .1, .1))(rng, width)
    colour = np.clip(colour, 0, 255).astype(np.float32)
    return Sprite(colour, alpha.astype(np.float32), 0, width, True, *solid)


# Clutter: dust, threads, smudges, holes, highlights. Background on every map.

def dust(rng, image, width):
    h, w = image.shape[:2]
    for _ in range(rng.poisson(pick(rng, (0, 2, 15)))):
        size = max(.5, width * rng.uniform(.02, .11))
        y, x = grid(*[2 * int(3 * size + 1) + 1] * 2)
        alpha = np.exp(-(x * x + y * y * rng.uniform(.5, 1)) / (2 * size * size))
        tone = np.float32([1, 1, 1]) * pick(rng, (255, 200, 90, 20))
        alpha *= rng.uniform(.2, 1)
        paste(image, tone, alpha.astype(np.float32), rng.uniform(0, w), rng.uniform(0, h))


def threads(rng, image, width):
    h, w = image.shape[:2]
    for _ in range(rng.poisson(pick(rng, (.1, .3, 2), (.5, .35, .15)))):
        steps = int(rng.integers(6, 40))
        turns = rng.uniform(0, TURN) + np.cumsum(rng.normal(pick(rng, (0, .1, .3)), .3, steps))
        way = np.stack([np.cos(turns), np.sin(turns)], 1).cumsum(0) * width * .25
        way += rng.uniform(0, (w, h))
        tone = (rng.uniform(30, 255) * rng.uniform(.8, 1, 3)).tolist()
        copy = image.copy()
        thick = max(1, int(width * rng.uniform(.02, .13)))
        cv2.polylines(copy, [np.int32(way * 8)], False, tone, thick, cv2.LINE_AA, 3)
        share = rng.uniform(.2, 1)
        image += np.float32(share) * (copy - image)


def stains(rng, image, width):
    """Smudges, lone shadows, round holes and bright highlights as large as kernels."""
    h, w = image.shape[:2]
    for _ in range(rng.poisson(pick(rng, (0, .4, 2)))):
        side = 2 * int(2.6 * width) + 1
        u, v = turned(side, side, rng.uniform(0, TURN))
        at = rng.uniform(0, w), rng.uniform(0, h)
        kind = rng.random()
        if kind < .25:    # hole: dark, round, sometimes with a bright lip
            radius = width * rng.uniform(.25, 1.3)
            far = np.hypot(u, v)
            if chance(rng, .5):
                lip = np.exp(-((far - radius) / (.08 * width + .4)) ** 2) * rng.uniform(.1, .6)
                paste(image, whitish(rng), lip.astype(np.float32), at[0], at[1])
            alpha, tone = step(radius - far, .4), np.zeros(3, np.float32) + rng.uniform(0, 40)
        else:
            far = np.hypot(u / rng.uniform(.4, 1.7), v / rng.uniform(.15, .6)) / width
            alpha = rng.uniform(.1, .65) * step(1 - far, pick(rng, (.05, .15, .4)))
            tone = image[min(h - 1, int(at[1])), min(w - 1, int(at[0]))] * pick(rng, (.1, .4, 1.6))
            if kind > .85:
                alpha, tone = alpha * 1.3, whitish(rng)
                alpha *= np.exp(-(far / .8) ** 2)
        paste(image, np.clip(tone, 0, 255).astype(np.float32), np.float32(alpha), at[0], at[1])


def clutter(rng, image, width):
    for draw in (dust, threads, stains):
        draw(rng, image, width)


# Objects: set aside whole by the map `object`, print and all.

def stamped(rng, fonts, body, inside, size, tone, metal):
    """Print, or emboss, words on a square patch."""
    side = body.shape[0]
    for _ in range(rng.integers(1, 5)):
        height = size * np.exp(rng.uniform(np.log(.12), np.log(.95)))
        mask = print_mask(rng, fonts, side, height, rng.uniform(0, TURN))
        shift = rng.uniform(-.55, .55, 2) * size
        mask = np.roll(mask, (int(shift[0]), int(shift[1])), (0, 1)) * inside
        if metal:
            body *= (1 + rng.uniform(.3, .8) * (mask - np.roll(mask, 1, 0)))[..., None]
        body += mask[..., None] * (tone - body) * (rng.uniform(.1, .5) if metal else 1)


def round_object(rng, fonts, image, plane, width):
    """Coin, cap, lid, disc."""
    radius = width * rng.uniform(1.5, 9)
    side = 2 * int(radius + 4) + 1
    y, x = grid(side, side)
    far, metal = np.hypot(x, y), chance(rng, .35)
    base = hsv(rng.integers(5, 30), rng.uniform(0, 110), rng.uniform(50, 220))
    base = base if metal else any_colour(rng)
    a = rng.uniform(0, TURN)
    light = 1 + rng.uniform(0, .4) * (x * np.cos(a) + y * np.sin(a)) / radius
    for _ in range(rng.integers(0, 4)):
        ring = radius * rng.uniform(.4, 1)
        line = np.exp(-((far - ring) / rng.uniform(.6, 2.5)) ** 2)
        light = light * (1 + rng.uniform(-.6, .9) * line)
    if chance(rng, .4):
        ribs = np.sin(np.arctan2(y, x) * rng.integers(12, 70))
        light = light * (1 + .3 * ribs * (far > radius * .9))
    body = base * light[..., None].astype(np.float32)
    if metal and chance(rng, .5):
        body *= (1 + .25 * noise(rng, side, side, radius * rng.uniform(.06, .3)))[..., None]
    tone = whitish(rng) if not metal and chance(rng, .75) else base * rng.uniform(.2, 2.2)
    stamped(rng, fonts, body, far < radius * .95, radius, tone, metal)
    if chance(rng, .4):
        glint = np.hypot(x - rng.uniform(-.6, .6) * radius, y - rng.uniform(-.6, .6) * radius)
        body += 130 * rng.random() * np.exp(-(glint / (.25 * radius)) ** 2)[..., None]
    put_object(rng, image, plane, body, np.clip(radius - far + .5, 0, 1), radius * .06)


def put_object(rng, image, plane, body, alpha, softness):
    """Somewhere on the picture, with a shadow, often cut by the picture's edge."""
    h, w = image.shape[:2]
    x = int(rng.uniform(-.15, 1.15) * w - alpha.shape[1] / 2)
    y = int(rng.uniform(-.15, 1.15) * h - alpha.shape[0] / 2)
    alpha = alpha.astype(np.float32)
    shade(image, alpha, x, y, max(1., softness), rng.uniform(.1, .7))
    paste(image, np.clip(body, 0, 255).astype(np.float32), alpha, x, y)
    mark(plane, alpha, x, y)


def ticks(rng, body, x0, y0, w, h, gap, tone):
    """The marks and figures of a ruler along one side."""
    face = pick(rng, (0, 1, 2, 3))
    for i in range(int(w / gap)):
        x, long = int(x0 + i * gap), h * (.35 if i % 5 == 0 else .2)
        cv2.line(body, (x, y0), (x, int(y0 + long)), tone, max(1, int(gap * .2)), cv2.LINE_AA)
        if i % 5 == 0:
            ink = np.zeros(body.shape[:2], np.uint8)  # text is drawn on bytes only
            cv2.putText(ink, str(i), (x, int(y0 + h * .75)), face, gap * .09, 255,
                        max(1, int(gap * .25)), cv2.LINE_AA)
            body += ink[..., None] / np.float32(255) * (np.float32(tone) - body)


def patches(rng, body, x0, y0, w, h, gap):
    """The grey and coloured fields and corner marks of a reference card."""
    size = max(3, int(gap * rng.uniform(1, 3)))
    for y in range(y0 + 2, y0 + h - size, size + int(gap * .5) + 1):
        for x in range(x0 + 2, x0 + w - size, size + int(gap * .5) + 1):
            if chance(rng, .8):
                tone = any_colour(rng) if chance(rng, .5) else np.full(3, rng.uniform(5, 255))
                cv2.rectangle(body, (x, y), (x + size, y + size), tone.tolist(), -1)


def flat_object(rng, fonts, image, plane, width):
    """Ruler, label, reference card."""
    w, h = int(width * rng.uniform(4, 16)), int(width * rng.uniform(1.5, 8))
    side = int(np.hypot(w, h)) + 6
    base = pick(rng, (whitish(rng), np.float32([20, 20, 20]) * rng.uniform(.3, 3), any_colour(rng)))
    dark = np.float32([10, 10, 10]) * rng.uniform(.5, 6)
    tone = dark if base.mean() > 110 else whitish(rng)
    body = np.ones((side, side, 3), np.float32) * base
    x0, y0, gap = (side - w) // 2, (side - h) // 2, rng.uniform(.3, .9) * width
    kind = rng.random()
    if kind < .4:
        ticks(rng, body, x0, y0, w, h, gap, tone.tolist())
    elif kind < .65:
        patches(rng, body, x0, y0, w, h, gap)
    if kind < .25 or kind > .6:
        stamped(rng, fonts, body, np.float32(1), h, tone, False)
    alpha = np.zeros((side, side), np.float32)
    cv2.rectangle(alpha, (x0, y0), (x0 + w, y0 + h), 1, -1)
    spin = cv2.getRotationMatrix2D((side / 2, side / 2), rng.uniform(0, 360), 1)
    body = cv2.warpAffine(body, spin, (side, side), borderMode=cv2.BORDER_REPLICATE)
    put_object(rng, image, plane, body, cv2.warpAffine(alpha, spin, (side, side)), .1 * width)


def bare_print(rng, fonts, image, plane, width):
    """Print or handwriting on the tray itself: the strokes, closed to words, are the object."""
    size = width * np.exp(rng.uniform(np.log(.5), np.log(3)))
    side = int(size * 9)
    h, w = image.shape[:2]
    ground = image.mean((0, 1))
    tone = whitish(rng) if chance(rng, .6) else ground * rng.uniform(.2, 2)
    if chance(rng, .15):
        tone = any_colour(rng)
    if np.abs(tone - ground).max() < 40:  # not to be read: mark nothing nobody sees
        tone = whitish(rng) if ground.mean() < 120 else tone * .2
    angle = rng.uniform(0, TURN)
    across = np.array([-np.sin(angle), np.cos(angle)]) * size * 1.5
    x, y = rng.uniform(-.1, .9) * w - side / 3, rng.uniform(-.1, .9) * h - side / 3
    for line in range(rng.integers(1, 4)):
        mask = print_mask(rng, fonts, side, size, -angle) * np.float32(rng.uniform(.4, 1))
        at = int(x + line * across[0]), int(y + line * across[1])
        paste(image, np.clip(tone, 0, 255).astype(np.float32), mask, *at)
        closing = np.ones((max(3, int(.35 * size)),) * 2)
        strokes = cv2.dilate((mask > .25).astype(np.float32), np.ones((3, 3)))
        mark(plane, cv2.morphologyEx(strokes, cv2.MORPH_CLOSE, closing), *at)


def edge_object(rng, fonts, image, plane, width):
    """Tray rim, white frame, sheet edge, finger, tool: from one side of the picture inwards."""
    h, w = image.shape[:2]
    u, v = turned(h, w, rng.uniform(0, TURN))
    kind, depth = rng.random(), rng.uniform(.25, .5) * h
    if kind < .6:  # everything beyond a straight line
        far = u - depth + noise(rng, h, w, h / 2) * pick(rng, (0, 0, 2))
        base = whitish(rng) if chance(rng, .5) else any_colour(rng, (0, 160))
        light = 1 + rng.uniform(-.2, .2) * v / w
        for _ in range(rng.integers(0, 4)):  # bars of light along a rim
            bar = np.exp(-((far - rng.uniform(0, 2.5) * width) / rng.uniform(.6, .5 * width)) ** 2)
            light = light + rng.uniform(-.5, .6) * bar
        body = base * light[..., None]
    else:  # finger or tool: long, round-ended
        broad = width * (rng.uniform(2, 5) if kind < .8 else rng.uniform(.3, 1))
        side = v - rng.uniform(-.3, .3) * w
        far = broad - np.hypot(side, np.minimum(u - depth * rng.uniform(-.5, 1), 0))
        base = hsv(rng.integers(4, 16), rng.uniform(50, 150), rng.uniform(90, 235))
        if kind > .8:
            base = hsv(rng.integers(0, 180), rng.uniform(0, 60), rng.uniform(40, 230))
        body = base * (1.05 - .5 * np.clip(np.abs(side) / broad, 0, 1) ** 2)[..., None]
        body = body + 90 * rng.random() * np.exp(-(side / (.2 * broad)) ** 2)[..., None]
    alpha = np.clip(far + .5, 0, 1).astype(np.float32)
    image *= (1 - rng.uniform(0, .6) * blur(alpha, .3 * width))[..., None]
    paste(image, np.clip(body, 0, 255).astype(np.float32), alpha, 0, 0)
    plane[alpha > .5] = 1


def objects(rng, fonts, image, plane, width):
    """None, one or a few objects; `plane` becomes 1 where they lie."""
    makers = (round_object, flat_object, bare_print, edge_object)
    for _ in range(pick(rng, (0, 1, 2, 3), (.45, .35, .14, .06))):
        pick(rng, makers, (.4, .25, .18, .17))(rng, fonts, image, plane, width)
