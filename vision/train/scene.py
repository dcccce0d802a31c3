"""Draws scenes and what the network should say about them.

    python3 scene.py --kernels PACK [--fonts DIRECTORY] --sheet sheet.png [--seed 0]

writes a contact sheet. One scene is 256 px square; a kernel is 8 to 22 px wide in
it. Scenes may be drawn larger or smaller and then brought to scale, as the
program does with its pictures, so that sharpening and JPEG come in all sizes.
"""
import argparse
import dataclasses
import time

import cv2
import numpy as np
from scipy.ndimage import find_objects

import ground
import things
from kernels import Bank
from paint import TURN, blur, chance, pick, window
from piece import draw_look, draw_piece, split_pair

SIZE = 256          # px, side of a scene
FAMILIES = ('phone', 'scan', 'drawn')
SHARES = (.55, .27, .18)
TYPICAL = 12.5      # px, the usual width of a kernel; the program works at about 12
COVER = .25         # kernel widths: how near a hidden outline counts as covered
LEAST_SHARE = .25   # of a piece must be visible, else its pixels are ignored
LEAST_AREA = 14     # px, likewise
UNIT = 8            # px, unit of the offsets
STEPS = 16          # offsets are kept in STEPS per unit, in a signed byte

# Bits of the plane `bits` of the targets.
BODY, IGNORE, BORDER, FOREIGN, OBJECT, COVERED = 1, 2, 4, 8, 16, 32


@dataclasses.dataclass
class Canvas:
    """A scene while it is drawn. `label` numbers the visible pieces from 1."""
    image: np.ndarray
    label: np.ndarray
    covered: np.ndarray
    object: np.ndarray
    pieces: list        # for every piece: (its px inside the picture, foreign)


@dataclasses.dataclass
class Scene:
    image: np.ndarray   # bytes, SIZE x SIZE x 3
    label: np.ndarray
    covered: np.ndarray
    object: np.ndarray
    full: np.ndarray    # for every piece: px it would show if nothing lay on it
    foreign: np.ndarray
    family: str
    width: float        # px, of a kernel


# How pieces lie: pieces per area (times their own area), overlap allowed, chance to
# be put down freely instead of pushed against another one.
LAYOUTS = {
    'loose': ((.04, .25), (0, 0), 1),
    'few': ((.005, .03), (0, 0), 1),
    'touching': ((.06, .35), (.005, .04), .4),
    'crowded': ((.3, .9), (.005, .06), .25),
    'heaped': ((.15, .75), (.1, .45), .3),
    'none': ((0, 0), (0, 0), 1),
}
LAYOUT_SHARES = {'phone': (.1, .06, .28, .24, .28, .04), 'scan': (.12, .03, .25, .52, .05, .03),
                 'drawn': (.2, .04, .3, .4, .04, .02)}


def overlap(canvas, mask, x, y):
    """Share of a mask that would lie on other pieces; 1 if it lies outside."""
    where = window(canvas.label.shape, x, y, *mask.shape)
    if where is None:
        return 1.
    inside = mask[where[1]]
    area = np.count_nonzero(inside)
    if area < 6:
        return 1.
    return np.count_nonzero(canvas.label[where[0]][inside]) / area


def free_spot(rng, canvas, mask, allowed):
    h, w = canvas.label.shape
    side = mask.shape[0]
    for _ in range(10):
        x = int(rng.uniform(-.6 * side, w - .4 * side))
        y = int(rng.uniform(-.6 * side, h - .4 * side))
        if overlap(canvas, mask, x, y) <= allowed:
            return x, y
    return None


def pushed_spot(rng, canvas, mask, anchor, allowed):
    """Slide a piece towards an earlier one until they touch, or overlap a little."""
    side, (ax, ay) = mask.shape[0], anchor
    for _ in range(3):
        angle, stride = rng.uniform(0, TURN), 4
        c, s = np.cos(angle), np.sin(angle)
        at, last, far = side * 1.1, None, side * 1.1
        while stride:
            x, y = int(ax + at * c - side / 2), int(ay + at * s - side / 2)
            if overlap(canvas, mask, x, y) > allowed:
                if last is None:
                    break
                at, stride = at + stride, stride // 4  # back, then on in finer steps
            else:
                last, far = (x, y), at
            at -= stride
            if far < 2 or at < 0:
                break
        if last is not None and overlap(canvas, mask, *last) <= allowed:
            return last
    return None


def note_covered(canvas, to, mask, label, reach):
    """Mark what is left of lower pieces near the outline that the new one hides."""
    hidden = (mask & (label > 0)).astype(np.uint8)
    canvas.covered[to][mask] = 0
    press = 2 * int(.07 * reach / COVER + .5) + 1  # outlines pressed together hide nothing
    deep = cv2.erode(hidden, np.ones((press, press), np.uint8))
    if not deep.any():
        return
    for number in np.unique(label[deep > 0]):
        own = (label == number) & ~mask
        if own.any():
            away = cv2.distanceTransform(1 - (hidden & (label == number)).astype(np.uint8),
                                         cv2.DIST_L2, 3)
            canvas.covered[to][own & (away <= reach)] = 1


def contact_line(rng, look, sprite, image, of, below):
    """Where a piece lies on another one: a dark line under it, a bright rim, or nothing."""
    kind = look.contact if look.contact != 'mixed' else pick(rng, ('dark', 'bright', 'none'))
    if kind == 'none' or not below.any():
        return
    if kind == 'dark':
        near = blur(sprite.alpha, 1)[of]
        image *= (1 - rng.uniform(.05, .5) * near * below)[..., None]
    else:
        rim = (sprite.alpha > .5) & (blur(sprite.alpha, 1.2) < .8)
        sprite.colour[rim] *= rng.uniform(1.05, 1.3)


def cast_shadow(look, canvas, sprite, x, y, width):
    """The piece's shadow on the ground and on what lies below."""
    reach = look.shadow_shift * width
    pad = int(reach + 2 * look.shadow_blur * width) + 2
    side = sprite.alpha.shape[0] + 2 * pad
    shift = np.float32([[1, 0, pad + reach * np.cos(look.light)],
                        [0, 1, pad + reach * np.sin(look.light)]])
    shadow = blur(cv2.warpAffine(sprite.alpha, shift, (side, side)),
                  max(.5, look.shadow_blur * width))
    where = window(canvas.label.shape, x - pad, y - pad, side, side)
    if where:
        canvas.image[where[0]] *= (1 - look.shadow * shadow[where[1]])[..., None]


def put(rng, look, canvas, sprite, x, y, width):
    """Draw a piece and note what becomes visible and what is hidden."""
    where = window(canvas.label.shape, x, y, *sprite.alpha.shape)
    if where is None:
        return
    to, of = where
    alpha, mask = sprite.alpha[of], sprite.alpha[of] > .5
    if not mask.any():
        return
    if look.shadow:
        cast_shadow(look, canvas, sprite, x, y, width)
    label, image = canvas.label[to], canvas.image[to]
    contact_line(rng, look, sprite, image, of, label > 0)
    solid = alpha * np.float32(look.opacity) if sprite.solid is None else sprite.solid[of]
    image += solid[..., None] * (sprite.colour[of] - image)
    note_covered(canvas, to, mask, label, COVER * width)
    canvas.pieces.append((int(mask.sum()), sprite.foreign))
    label[mask] = len(canvas.pieces)
    canvas.object[to][mask] = 0


def settle_contrast(rng, look, mean):
    """Rice is nearly always lighter than its ground; sometimes hardly, rarely darker."""
    if mean > 110 and chance(rng, .15):
        look.level = mean * rng.uniform(.5, .85)
    elif look.level < mean * 1.15 + 8:
        look.level = min(250, mean * rng.uniform(1.15, 1.9) + 10)


def fill(rng, bank, canvas, look, family, width, share_foreign):
    """Put down the pieces of a scene."""
    layout = pick(rng, list(LAYOUTS), LAYOUT_SHARES[family])
    density, overlaps, freely = LAYOUTS[layout]
    h, w = canvas.label.shape
    count = int(min(210, rng.uniform(*density) * h * w / (2.2 * width * width)))
    variety = pick(rng, bank.varieties)
    mixed, spread = chance(rng, .3), pick(rng, (.05, .1))
    aligned = rng.uniform(0, TURN) if chance(rng, .08) else None
    anchors, taken = [], blur(canvas.object.astype(np.float32), .1 * width) > .3
    for _ in range(count):
        size = width * np.clip(rng.normal(1, spread), .7, 1.3)
        angle = rng.uniform(0, TURN) if aligned is None else aligned + rng.normal(0, .12)
        if chance(rng, share_foreign):
            sprite = things.draw_foreign(rng, size)
        else:
            kind = pick(rng, bank.varieties) if mixed else variety
            sprite = draw_piece(rng, bank, look, kind, size, angle)
        mask = sprite.alpha > .5
        if np.count_nonzero(mask) < max(8, .1 * size * size):
            continue
        allowed = rng.uniform(*overlaps) if chance(rng, .8) else 0
        if not anchors or chance(rng, freely):
            spot = free_spot(rng, canvas, mask, allowed)
        else:
            anchor = anchors[-1] if chance(rng, .4) else pick(rng, anchors)
            spot = pushed_spot(rng, canvas, mask, anchor, allowed)
        if spot is None or (share_on(taken, mask, *spot) > .03 and chance(rng, .93)):
            continue
        put_or_split(rng, look, canvas, sprite, spot, size)
        anchors.append((spot[0] + mask.shape[1] / 2, spot[1] + mask.shape[0] / 2))


def share_on(plane, mask, x, y):
    where = window(plane.shape, x, y, *mask.shape)
    return plane[where[0]][mask[where[1]]].mean() if where else 0


def put_or_split(rng, look, canvas, sprite, spot, width):
    if sprite.foreign or not chance(rng, .25 * look.broken):
        put(rng, look, canvas, sprite, *spot, width)
        return
    first, second, shift = split_pair(rng, sprite, width)
    put(rng, look, canvas, first, *spot, width)
    if min((first.alpha > .5).sum(), (second.alpha > .5).sum()) > 10:
        put(rng, look, canvas, second, spot[0] + shift[0], spot[1] + shift[1], width)


def dirt_on_top(rng, canvas, width):
    """Dust and threads over the pieces: what they hide is no rice."""
    before = canvas.image.copy()
    things.dust(rng, canvas.image, width)
    things.threads(rng, canvas.image, width)
    changed = blur(np.abs(canvas.image - before).max(2), .7)
    canvas.label[changed > 40] = 0


def draw_scene(rng, bank, fonts=None, family=None):
    """One scene of SIZE x SIZE px."""
    family = family or pick(rng, FAMILIES, SHARES)
    zoom = pick(rng, (.75, 1, 1, 1, 1.4, 1.8), (2, 3, 3, 2, 1.5, .8))
    side = int(round(SIZE * zoom)) + 2
    width = np.exp(rng.uniform(np.log(8), np.log(22)))
    if chance(rng, .55):
        width = np.clip(rng.normal(TYPICAL, 1.8), 8, 18)
    drawn = width * zoom
    image = ground.draw_ground(rng, family, side, side).astype(np.float32)
    canvas = Canvas(image, np.zeros((side, side), np.int32), np.zeros((side, side), np.uint8),
                    np.zeros((side, side), np.uint8), [])
    look = draw_look(rng, family)
    settle_contrast(rng, look, image.mean())
    if family == 'phone' or chance(rng, .5):
        things.objects(rng, fonts, image, canvas.object, drawn)
    if family == 'phone' or chance(rng, .4):
        things.clutter(rng, image, drawn)
    share_foreign = pick(rng, (0, .03, .15, .6), (.45, .3, .2, .05))
    fill(rng, bank, canvas, look, family, drawn, share_foreign)
    if chance(rng, .1):
        dirt_on_top(rng, canvas, drawn)
    if family == 'phone':
        ground.lighting(rng, canvas.image)
    shot = ground.camera(rng, canvas.image, family, zoom)
    return to_scale(rng, canvas, shot, zoom, family, width)


def to_scale(rng, canvas, shot, zoom, family, width):
    """Bring a scene drawn at `zoom` to the scale of the network."""
    size = (int(round(shot.shape[1] / zoom)),) * 2
    planes = [canvas.label, canvas.covered, canvas.object]
    if zoom != 1:
        how = cv2.INTER_AREA if zoom > 1 else pick(rng, (cv2.INTER_LINEAR, cv2.INTER_CUBIC))
        shot = cv2.resize(shot, size, interpolation=how)
        at = np.minimum(((np.arange(size[0]) + .5) * zoom).astype(int), canvas.label.shape[0] - 1)
        planes = [p[at][:, at] for p in planes]
    label, covered, thing = (np.ascontiguousarray(p[:SIZE, :SIZE]) for p in planes)
    full = np.float32([p[0] for p in canvas.pieces]) / zoom ** 2
    foreign = np.array([p[1] for p in canvas.pieces], bool)
    return Scene(np.ascontiguousarray(shot[:SIZE, :SIZE]), label, covered, thing, full, foreign,
                 family, width)


def borders(label):
    """Pixels with two pieces in their 3 x 3 neighbourhood."""
    kernel = np.ones((3, 3), np.uint8)
    highest = label.astype(np.uint16)
    lowest = np.where(label > 0, label, 60000).astype(np.uint16)
    lowest = cv2.erode(lowest, kernel)
    return (cv2.dilate(highest, kernel) > lowest) & (lowest < 60000)


def targets(scene):
    """What the network should say: bytes, 4 x SIZE x SIZE.

    bits, distance to the piece's edge (255 at its innermost pixel), and the
    offsets x, y to the centre of its visible part in 1/16 of 8 px, plus 128.
    A piece that the picture's edge cuts goes on beyond it.
    """
    h, w = scene.label.shape
    out = np.zeros((4, h, w), np.uint8)
    out[2:] = 128
    bits, pad = out[0], 8
    bits[scene.label > 0] = BODY
    bits[borders(scene.label)] |= BORDER
    bits[(scene.object > 0) & (scene.label == 0)] |= OBJECT
    padded = np.pad(scene.label, pad, mode='edge')
    for i, part in enumerate(find_objects(scene.label, len(scene.full))):
        if part is None:
            continue
        top, left = part[0].start, part[1].start
        mask = scene.label[part] == i + 1
        area = np.count_nonzero(mask)
        at_edge = top == 0 or left == 0 or part[0].stop == h or part[1].stop == w
        if area < LEAST_AREA or (area < LEAST_SHARE * scene.full[i] and not at_edge):
            bits[part][mask] |= IGNORE
            continue
        wide = padded[top:part[0].stop + 2 * pad, left:part[1].stop + 2 * pad] == i + 1
        inner = cv2.distanceTransform(np.pad(wide, 1).astype(np.uint8), cv2.DIST_L2, 3)
        inner = inner[pad + 1:-pad - 1, pad + 1:-pad - 1]
        most = inner[mask].max()
        out[1][part][mask] = np.clip(inner[mask] / most * 255, 0, 255)
        y, x = np.nonzero(mask)
        for plane, along in ((out[2], x), (out[3], y)):
            step = (along.mean() - along) * (STEPS / UNIT)
            plane[part][mask] = np.clip(np.round(step), -127, 127) + 128
        if scene.foreign[i]:
            bits[part][mask] |= FOREIGN
    bits[(scene.covered > 0) & (bits & BODY > 0)] |= COVERED
    return out


def overlaid(scene, plan):
    """The scene beside its targets, for the eye."""
    bits = plan[0]
    view = (scene.image // 3).copy()
    view[bits & BODY > 0] = np.stack([plan[1] // 2 + 60] * 3, -1)[bits & BODY > 0]
    for bit, colour in ((OBJECT, (160, 90, 0)), (FOREIGN, (0, 110, 255)), (COVERED, (255, 0, 255)),
                        (BORDER, (0, 255, 0)), (IGNORE, (0, 0, 255))):
        view[bits & bit > 0] = colour
    return np.vstack([scene.image, view])


def main():
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument('--kernels', required=True)
    parser.add_argument('--fonts')
    parser.add_argument('--sheet', required=True)
    parser.add_argument('--seed', type=int, default=0)
    parser.add_argument('--count', type=int, default=40)
    parser.add_argument('--family', choices=FAMILIES)
    options = parser.parse_args()
    rng, bank = np.random.default_rng(options.seed), Bank(options.kernels)
    start, views = time.process_time(), []
    for _ in range(options.count):
        scene = draw_scene(rng, bank, options.fonts, options.family)
        views.append((scene, targets(scene)))
    print(round((time.process_time() - start) / options.count, 3), 's a scene')
    views = [overlaid(*v) for v in views]
    rows = [np.hstack(views[i:i + 5]) for i in range(0, len(views) // 5 * 5, 5)]
    cv2.imwrite(options.sheet, np.vstack(rows))


if __name__ == '__main__':
    main()
