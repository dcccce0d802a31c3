"""Draws one piece of rice: a photographed or a drawn kernel, whole or broken.

Lengths are px or shares of the kernel's width or length. u runs along the
kernel, v across it.
"""
from __future__ import annotations

import dataclasses

import cv2
import numpy as np

from kernels import WIDTH
from paint import TURN, blur, chance, hsv, noise, pick, step, turned


@dataclasses.dataclass
class Sprite:
    """A piece as a square patch; `foreign` tells what is no rice."""
    colour: np.ndarray
    alpha: np.ndarray
    angle: float
    length: float
    foreign: bool = False
    solid: np.ndarray | None = None  # opacity where the ground shows through, else alpha


@dataclasses.dataclass
class Look:
    """What the pieces of one scene have in common."""
    level: float            # mean grey level of a sound kernel
    spread: float           # of that level between kernels, relative
    tint: np.ndarray
    light: float            # direction the light comes from
    relief: float           # slopes away from the light are darker
    rim: float              # darkening (or, below 0, brightening) of the rim
    shadow: float           # 0..1; its shift and softness in widths:
    shadow_shift: float
    shadow_blur: float
    contact: str            # dark, bright, none: the line where one lies on another
    opacity: float
    broken: float           # shares of pieces:
    odd: float              # coloured, streaked, spotted, in the husk
    chalky: float
    notched: float
    marked: float           # distractors across sound kernels
    stained: float          # of another colour over a part
    shiny: float
    texture: float          # of the photographs, 1 as it was
    drawn: float
    aspect: float           # of drawn kernels, length / width
    power: float            # of their superellipse


def draw_look(rng, family):
    """Chances for a phone photograph, a flatbed scan or a drawn picture."""
    tint = np.float32([1 - .3 * rng.random() ** 2, 1 - .06 * rng.random(), 1])
    if chance(rng, .25):
        tint = np.float32([1, 1 - .05 * rng.random(), 1 - .1 * rng.random()])
    look = Look(
        level=np.exp(rng.uniform(np.log(95), np.log(250))), spread=pick(rng, (.03, .1, .2)),
        tint=tint, light=rng.uniform(0, TURN), relief=pick(rng, (0, .15, .3, .6)),
        rim=rng.uniform(-.35, .3) if chance(rng, .7) else 0,
        shadow=rng.uniform(0, .75) if chance(rng, .75) else 0,
        shadow_shift=rng.uniform(0, .22), shadow_blur=rng.uniform(.04, .3),
        contact=pick(rng, ('dark', 'bright', 'none', 'mixed')),
        opacity=rng.uniform(.6, 1) if chance(rng, .25) else 1.,
        broken=pick(rng, (.03, .15, .45, .9), (.3, .32, .25, .13)),
        odd=pick(rng, (0, .08, .35, 1), (.45, .35, .17, .03)), chalky=pick(rng, (.05, .15, .6)),
        notched=pick(rng, (.1, .4, .9)), marked=pick(rng, (.1, .3, .7)),
        stained=pick(rng, (0, .05, .3, .8), (.35, .2, .25, .2)),
        shiny=pick(rng, (0, .1, .5)), texture=pick(rng, (.3, 1, 1.6)),
        drawn=pick(rng, (0, .15, .5), (.6, .25, .15)),
        aspect=rng.uniform(1.6, 4.5), power=rng.uniform(1.8, 2.7))
    if chance(rng, .4):  # one clean sample
        look.odd, look.spread, look.marked, look.chalky = 0, pick(rng, (.03, .07)), .1, .1
        look.shiny, look.texture = min(look.shiny, .1), 1
    if chance(rng, .2):  # hard light from low down
        look.shadow, look.shadow_shift = rng.uniform(.3, .85), rng.uniform(.22, .75)
        look.shadow_blur = rng.uniform(.02, .2)
    if family == 'scan':
        look.shadow = rng.uniform(0, .4) if chance(rng, .4) else 0
        look.shadow_shift, look.contact = rng.uniform(0, .1), pick(rng, ('none', 'none', 'mixed'))
        look.relief, look.level = pick(rng, (0, 0, .15)), rng.uniform(140, 235)
        look.drawn = pick(rng, (0, .3, 1))
    elif family == 'drawn':
        look.shadow, look.contact, look.opacity = 0, pick(rng, ('none', 'bright', 'dark')), 1.
        look.relief, look.drawn, look.level = 0, 1., rng.uniform(140, 240)
        look.rim = rng.uniform(.05, .45) if chance(rng, .7) else 0
    return look


def photographed(rng, bank, variety, width, angle):
    """A kernel of the bank turned into a patch: colour, alpha, height, and its length."""
    source = bank.by_variety[variety][rng.integers(len(bank.by_variety[variety]))]
    source, packed = (source[0], WIDTH) if width > .55 * WIDTH else (source[1], WIDTH / 2)
    across = width / packed
    along = across * rng.uniform(.88, 1.15)
    h, w = source.shape[:2]
    side = 2 * (int(np.hypot(h * across, w * along) / 2) + 2) + 1
    c, s, mirror = np.cos(angle), np.sin(angle), pick(rng, (-1, 1))
    move = np.float32([[c * along, -s * across * mirror, 0], [s * along, c * across * mirror, 0]])
    middle = (side - 1) / 2 + rng.uniform(-.5, .5, 2)
    move[:, 2] = middle - move[:, :2] @ np.array([(w - 1) / 2, (h - 1) / 2])
    if chance(rng, .2):
        source = bent(rng, source)
    four = cv2.warpAffine(np.ascontiguousarray(source[..., :4]), move, (side, side),
                          borderMode=cv2.BORDER_CONSTANT).astype(np.float32)
    height = cv2.warpAffine(np.ascontiguousarray(source[..., 4]), move, (side, side))
    length = along * (w - packed / 3)
    return four[..., :3], four[..., 3] / 255, height.astype(np.float32) / 255, length


def bent(rng, source):
    """The source with its axis bowed, as on kernels that are not straight."""
    h, w = source.shape[:2]
    x = np.arange(w, dtype=np.float32)
    bow = rng.uniform(-.22, .22) * h * ((x / w * 2 - 1) ** 2 - .4)
    map_x = np.tile(x, (h, 1))
    map_y = np.arange(h, dtype=np.float32)[:, None] + bow[None].astype(np.float32)
    planes = [cv2.remap(np.ascontiguousarray(p), map_x, map_y, cv2.INTER_LINEAR,
                        borderMode=cv2.BORDER_REPLICATE)
              for p in (source[..., :3], source[..., 3], source[..., 4])]
    return np.dstack(planes)


def outlined(rng, look, width, angle):
    """A drawn kernel: superellipse outline with rounded or pointed ends."""
    length = width * np.clip(look.aspect * rng.normal(1, .07), 1.5, 4.8)
    side = 2 * (int(length / 2) + 3) + 1
    u, v = turned(side, side, angle)
    v = v - rng.uniform(-.12, .12) * width * ((2 * u / length) ** 2 - .4)
    skew = np.clip(2 * u / length * (1 + rng.uniform(-.12, .12) * np.sign(u)), -1, 1)
    power = look.power * rng.uniform(.93, 1.07)
    half = width / 2 * (1 - np.abs(skew) ** power) ** (1 / power * rng.uniform(.85, 1.25))
    over = np.abs(2 * u) - length
    alpha = np.clip(half - np.abs(v) + .5, 0, 1) * (half > .3) * np.clip(.5 - over, 0, 1)
    ratio = np.minimum(np.abs(v) / np.maximum(half, .5), 1)
    height = np.sqrt(np.clip(1 - np.maximum(ratio, skew ** 2) ** 2, 0, 1)).astype(np.float32)
    colour = np.full((side, side, 3), 150, np.float32)
    grain = noise(rng, side, side, max(1.2, width * rng.uniform(.08, .4)))
    colour *= (1 + rng.uniform(0, .07) * grain)[..., None]
    return colour, alpha.astype(np.float32), height, length


def fracture(rng, u, v, width, at, slope):
    """Signed distance to a broken face across the kernel: jagged, curved or straight."""
    line = u - at - slope * v
    if chance(rng, .6):
        jag = pick(rng, (.03, .07, .12)) * width
        teeth = noise(rng, 1, 9, 1)[0]
        line = line + jag * np.interp(v.ravel(), np.linspace(-.7, .7, 9) * width,
                                      teeth).reshape(v.shape).astype(np.float32)
    if chance(rng, .35):  # rounded or hollow face
        line = line + rng.uniform(-.5, .6) / width * v ** 2
    return line / np.sqrt(1 + slope * slope)


def faced(rng, colour, inside, width):
    """Shade the broken face: a strip along it that looks towards another side."""
    deep = rng.uniform(.08, .45) * width
    strip = np.clip(1 - inside / deep, 0, 1) if chance(rng, .5) else (inside < deep)
    colour *= (1 + rng.uniform(-.35, .35) * strip)[..., None].astype(np.float32)


def break_off(rng, u, v, length, width, colour, alpha):
    """Cut a kernel so that a share of it remains; gives the new alpha."""
    keep = pick(rng, (rng.uniform(.5, .92), rng.uniform(.25, .6), rng.uniform(.12, .3)),
                (.4, .4, .2))
    slope = rng.uniform(-.3, .3) if chance(rng, .6) else rng.uniform(-1.1, 1.1)
    way = pick(rng, (-1, 1))
    cuts = [fracture(rng, way * -u, v, width, (.5 - keep) * length, slope)]
    if keep < .6 and chance(rng, .35):  # a middle piece has two broken faces
        start = rng.uniform(.04, max(.05, .9 - keep)) * length
        cuts = [fracture(rng, way * -u, v, width, (.5 - keep) * length - start, slope),
                fracture(rng, way * u, v, width, start - length / 2, rng.uniform(-.5, .5))]
    if chance(rng, .1):  # split lengthwise: a sliver
        cuts.append(fracture(rng, pick(rng, (-1, 1)) * v, u, width, rng.uniform(-.3, .2) * width,
                             rng.uniform(-.1, .1)))
    has_face = chance(rng, .5)
    for inside in cuts:
        if has_face:
            faced(rng, colour, inside, width)
        alpha = alpha * np.clip(inside + .5, 0, 1)
    return alpha


def notch(rng, u, v, length, width, alpha):
    """Where the germ was: an oblique flat or a hollow at one end. The kernel stays whole."""
    end, edge = pick(rng, (-1, 1)), pick(rng, (-1, 1))
    if chance(rng, .65):
        tilt = rng.uniform(.5, 1.2)
        reach = (length / 2 - rng.uniform(.12, .3) * width) * np.cos(tilt)
        gap = reach - u * end * np.cos(tilt) + (.28 * width - v * edge) * np.sin(tilt)
    else:
        away = np.hypot(u * end - .49 * length, v * edge - rng.uniform(.1, .4) * width)
        gap = away - rng.uniform(.15, .32) * width
    return alpha * np.clip(gap + .5, 0, 1)


def distractors(rng, u, v, length, width):
    """Lines and limits that run over a sound kernel and part nothing: a factor."""
    factor = np.ones(u.shape, np.float32)
    for _ in range(rng.integers(1, 4)):
        strength = rng.uniform(.05, .3) * pick(rng, (-1, -1, 1))
        at = rng.uniform(-.35, .35) * length + rng.uniform(-.5, .5) * v
        kind = rng.random()
        if kind < .35:    # crack across
            line = np.exp(-((u - at) / (.03 * width + .35)) ** 2)
        elif kind < .6:   # furrow or ridge along
            line = np.exp(-((v - rng.uniform(-.3, .3) * width) / (.06 * width + .3)) ** 2)
        elif kind < .85:  # straight limit between a clear and a chalky part
            line = step(u - at, .02 * width + .2)
        else:             # band
            line = step(u - at, .3) * step(at + rng.uniform(.1, .5) * width - u, .3)
        factor *= 1 + np.float32(strength) * line.astype(np.float32)
    return factor


def blob(rng, u, v, length, width, size=(.12, .5)):
    """A soft spot somewhere on the kernel, 0..1."""
    at = rng.uniform(-.45, .45) * length, rng.uniform(-.3, .3) * width
    far = ((u - at[0]) / (width * rng.uniform(*size))) ** 2
    far = far + ((v - at[1]) / (width * rng.uniform(*size))) ** 2
    return np.exp(-far ** pick(rng, (1, 2)))[..., None]


def odd_colour(rng, u, v, length, width, colour):
    """Yellow, red, black, brown, streaked, spotted rice and paddy: all of it is rice."""
    kind = rng.random()
    if kind < .28:    # yellow, amber, parboiled
        tint = (rng.uniform(.2, .75), rng.uniform(.55, .88), rng.uniform(.85, 1.08))
    elif kind < .4:   # brown rice
        tint = np.array((.42, .6, .8)) * rng.uniform(.6, 1.2)
    elif kind < .5:   # black
        tint = np.array((.5, .5, .6)) * rng.uniform(.14, .5)
    elif kind < .62:  # red all over
        tint = np.array((.4, .42, .85)) * rng.uniform(.5, 1.15)
    elif kind < .74:  # paddy: straw colour, ribs along, rough
        straw = hsv(rng.integers(12, 24), rng.uniform(80, 180), rng.uniform(120, 225)) / 150
        ribs = 1 + rng.uniform(.05, .25) * np.sin(TURN * v / (width * rng.uniform(.2, .4)))
        rough = 1 + .12 * noise(rng, *u.shape, max(1., .08 * width))
        colour *= (ribs * rough)[..., None].astype(np.float32)
        tint = straw
    elif kind < .83:  # red streaks along
        for _ in range(rng.integers(1, 4)):
            far = (v - rng.uniform(-.4, .4) * width) / (.06 * width + .35)
            streak = (rng.uniform(.3, .9) * np.exp(-far ** 2))[..., None]
            colour *= (1 - streak * np.float32([.65, .6, .15])).astype(np.float32)
        return
    else:             # dark spots, dark tip; some as dark as a black tray
        depth = np.float32([.85, .75, .6]) if chance(rng, .7) else np.float32([.95, .95, .95])
        for _ in range(rng.integers(1, 3)):
            spot = rng.uniform(.4, 1) * blob(rng, u, v, length, width, (.1, .4))
            colour *= (1 - spot * depth).astype(np.float32)
        return
    colour *= np.float32(tint)


def surface(rng, look, u, v, length, width, colour, height):
    """Light, chalk, clear parts, marks and colour on a kernel; changes `colour`."""
    if look.texture != 1 and look.drawn < 1:
        colour += (look.texture - 1) * (colour - colour.mean((0, 1)))
    lum = np.full(u.shape, look.level / 150 * np.exp(rng.normal(0, look.spread)), np.float32)
    if look.relief:
        soft = blur(height, max(.6, width * .06))
        slope = cv2.Sobel(soft, -1, 1, 0) * np.cos(look.light)
        slope = slope + cv2.Sobel(soft, -1, 0, 1) * np.sin(look.light)
        lum *= np.clip(1 + look.relief * slope * width * .06, .4, 1.7)
    if look.rim:
        lum *= 1 - look.rim * (1 - height) ** 1.5
    if chance(rng, .25):  # a clearer, darker part
        limit = u * pick(rng, (-1, 1)) - rng.uniform(-.3, .4) * length
        lum *= 1 - rng.uniform(.1, .45) * step(limit, pick(rng, (.01, .08, .15)) * length + .3)
    if chance(rng, look.marked):
        lum *= distractors(rng, u, v, length, width)
    if chance(rng, .3):
        lum *= 1 + rng.uniform(.03, .1) * noise(rng, *u.shape, max(1.3, width * .2))
    colour *= lum[..., None]
    colour *= look.tint * (1 - np.float32([.25, .06, 0]) * max(0, rng.normal(0, .25)))
    if chance(rng, look.chalky):
        white = blob(rng, u, v, length, width, (.2, 1.2)) if chance(rng, .75) else 1
        if chance(rng, .4):
            white = white * np.clip(.8 + .35 * noise(rng, *u.shape, max(1.5, .15 * width)),
                                    0, 1)[..., None]
        aim = min(255, look.level * rng.uniform(1.1, 1.6)) * np.clip(.75 + .3 * height, .7, 1.1)
        colour += white * rng.uniform(.4, 1) * (aim[..., None] - colour)
    if chance(rng, look.odd):
        odd_colour(rng, u, v, length, width, colour)
    if chance(rng, look.shiny):
        colour += rng.uniform(30, 150) * blob(rng, u, v, length, width, (.05, .5))


# What is left of blue, green and red where a stain is full.
STAINS = {
    'brown': (.32, .55, .72), 'dark brown': (.14, .25, .36), 'black': (.04, .04, .05),
    'red': (.28, .32, .68), 'amber': (.35, .68, .95), 'grey': (.4, .4, .4),
    'greenish': (.4, .68, .52), 'white': (1.45, 1.4, 1.35),
}


def stain(rng, u, v, width, colour, alpha):
    """Another colour from one end on, in a band across or to one side; changes `colour`.

    The limit is straight, slanted, wavy or curved, sharp or soft, and parts nothing: unlike
    a neighbour of that colour, the stain fills the kernel's own outline.
    """
    if not (alpha > .5).any():
        return
    low, high = (side(u[alpha > .5]) for side in (np.min, np.max))
    way, kind = pick(rng, (-1, 1)), rng.random()
    line = way * (u - (low + high) / 2)         # from the middle of what is left
    line = line + (rng.uniform(-.9, .9) if chance(rng, .3) else rng.uniform(-.2, .2)) * v
    if chance(rng, .4):
        wave = noise(rng, 1, int(rng.integers(5, 12)), 1)[0]
        at = np.linspace(-.7, .7, len(wave)) * width
        line = line + rng.uniform(.04, .2) * width * np.interp(v, at, wave)
    if chance(rng, .4):
        line = line + rng.uniform(-1, 1) / width * v ** 2
    soft = max(.1, np.exp(rng.uniform(np.log(.02), np.log(.6))) * width / 4)  # of 3 % to 97 %
    inner = (.5 - rng.uniform(.05, .6)) * (high - low)
    where = step(line - inner, soft)
    if kind < .16:      # band across
        where = where * step(inner + rng.uniform(.15, 1.2) * width - line, soft)
    elif kind < .28:    # to one side
        where = step(pick(rng, (-1, 1)) * v - rng.uniform(-.25, .3) * width
                     + .3 * (line - way * u), soft)
        if chance(rng, .6):
            where = where * step(line - inner, soft)
    if chance(rng, .3):
        where = where * np.clip(.85 + .35 * noise(rng, *u.shape, max(1.3, width * .2)), 0, 1)
    full = np.float32(STAINS[pick(rng, tuple(STAINS))]) * np.float32(rng.uniform(.9, 1.1, 3))
    strength = rng.uniform(.6, 1) if chance(rng, .75) else rng.uniform(.1, .6)
    colour *= (1 - (strength * where)[..., None] * (1 - full)).astype(np.float32)


def draw_piece(rng, bank, look, variety, width, angle):
    """One piece of rice, whole or broken."""
    drawn = chance(rng, look.drawn) or variety is None
    if drawn:
        colour, alpha, height, length = outlined(rng, look, width, angle)
    else:
        colour, alpha, height, length = photographed(rng, bank, variety, width, angle)
    u, v = turned(*alpha.shape, angle)
    surface(rng, look, u, v, length, width, colour, height)
    stained, first = chance(rng, look.stained), chance(rng, .5)
    if stained and first:
        stain(rng, u, v, width, colour, alpha)
    if chance(rng, look.notched * (1 if drawn else .4)):
        alpha = notch(rng, u, v, length, width, alpha)
    if chance(rng, look.broken):
        alpha = break_off(rng, u, v, length, width, colour, alpha)
    elif chance(rng, .05):  # chipped at the side
        far = np.hypot(u - rng.uniform(-.4, .4) * length, v - pick(rng, (-.5, .5)) * width)
        alpha = alpha * np.clip(far - rng.uniform(.1, .3) * width, 0, 1)
    if stained and not first:
        stain(rng, u, v, width, colour, alpha)
    np.clip(colour, 0, 255, out=colour)
    return Sprite(colour, alpha.astype(np.float32), angle, length)


def split_pair(rng, sprite, width):
    """Both parts of a kernel broken just now, face to face, and the second one's shift."""
    u, v = turned(*sprite.alpha.shape, sprite.angle)
    at = rng.uniform(-.25, .25) * sprite.length
    line = fracture(rng, u, v, width, at, rng.uniform(-.6, .6))
    parts = [sprite.alpha * np.clip(side * line + .5, 0, 1) for side in (-1, 1)]
    colour = sprite.colour.copy()
    faced(rng, colour, np.abs(line), width)
    gap = rng.uniform(.04, .22) * width
    slip = rng.uniform(.08, .4) * width * pick(rng, (-1, 1)) if gap < .1 * width else 0
    c, s = np.cos(sprite.angle), np.sin(sprite.angle)
    second = Sprite(sprite.colour.copy(), parts[1], sprite.angle, sprite.length)
    if chance(rng, .5):  # and turned a little
        centre = ((parts[1].shape[1] - 1) / 2 + at * c, (parts[1].shape[0] - 1) / 2 + at * s)
        turn = cv2.getRotationMatrix2D(centre, rng.uniform(-14, 14), 1)
        size = parts[1].shape[::-1]
        second.alpha = cv2.warpAffine(parts[1], turn, size)
        second.colour = cv2.warpAffine(second.colour, turn, size, borderMode=cv2.BORDER_REPLICATE)
    shift = (round(gap * c - slip * s), round(gap * s + slip * c))
    return Sprite(colour, parts[0], sprite.angle, sprite.length), second, shift
