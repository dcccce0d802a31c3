"""Small tools for drawing: random picks, noise, colours, pasting, print.

Pictures are float32 arrays, H x W x 3, blue green red, 0..255, until the camera
makes bytes of them. `rng` is a numpy Generator everywhere: one seed, one scene.
"""
import functools
import pathlib

import cv2
import numpy as np
from PIL import Image, ImageDraw, ImageFont

cv2.setNumThreads(1)  # scenes are drawn by many processes, one core each

TURN = 2 * np.pi
HERSHEY = (0, 1, 2, 3, 4, 5, 6, 7, 16, 17, 18, 20, 22)  # OpenCV's stroke fonts, some italic


def pick(rng, options, weights=None):
    """One of the options; much cheaper than rng.choice for short lists."""
    if weights is None:
        return options[int(rng.random() * len(options))]
    left = rng.random() * sum(weights)
    for option, weight in zip(options, weights):
        left -= weight
        if left < 0:
            return option
    return options[-1]


def chance(rng, share):
    return rng.random() < share


@functools.lru_cache(maxsize=256)
def grid(height, width):
    """Coordinates y, x about the middle, in px. Shared: do not write into them."""
    y, x = np.mgrid[:height, :width].astype(np.float32)
    y, x = y - (height - 1) / 2, x - (width - 1) / 2
    y.flags.writeable = x.flags.writeable = False
    return y, x


def turned(height, width, angle):
    """Coordinates u along the angle and v across it, about the middle."""
    y, x = grid(height, width)
    c, s = np.float32(np.cos(angle)), np.float32(np.sin(angle))
    return x * c + y * s, y * c - x * s


def noise(rng, height, width, grain, grain_x=None):
    """Smooth noise with spots of `grain` px, standard deviation about 0.7."""
    cells = (max(2, int(width / (grain_x or grain)) + 2), max(2, int(height / grain) + 2))
    raw = rng.standard_normal((cells[1], cells[0]), dtype=np.float32)
    return cv2.resize(raw, (width, height), interpolation=cv2.INTER_CUBIC)


def hsv(hue, saturation, value):
    """A colour; hue 0..180, the others 0..255."""
    pixel = np.uint8([[[int(hue) % 180, min(255, max(0, int(saturation))),
                        min(255, max(0, int(value)))]]])
    return cv2.cvtColor(pixel, cv2.COLOR_HSV2BGR)[0, 0].astype(np.float32)


def any_colour(rng, saturation=(0, 255), value=(20, 250)):
    return hsv(rng.integers(0, 180), rng.uniform(*saturation), rng.uniform(*value))


def whitish(rng):
    return np.float32(255 * rng.uniform(.6, 1) * rng.uniform(.86, 1, 3))


def step(x, softness):
    """0 where x is far below zero, 1 far above."""
    return 1 / (1 + np.exp(np.clip(-x / softness, -30, 30)))


def blur(plane, sigma):
    return cv2.GaussianBlur(plane, (0, 0), max(.3, float(sigma)))


def window(shape, x, y, height, width):
    """Slices (in the picture, in the patch) for a patch at x, y; None if outside."""
    x0, y0 = max(0, x), max(0, y)
    x1, y1 = min(shape[1], x + width), min(shape[0], y + height)
    if x1 <= x0 or y1 <= y0:
        return None
    return (slice(y0, y1), slice(x0, x1)), (slice(y0 - y, y1 - y), slice(x0 - x, x1 - x))


def paste(image, colour, alpha, x, y):
    """Blend a colour (one, or a patch) into the picture; x, y: corner of the patch."""
    where = window(image.shape, int(x), int(y), *alpha.shape[:2])
    if where is None:
        return
    to, of = where
    a = alpha[of][..., None]
    image[to] += a * ((colour[of] if colour.ndim == 3 else colour) - image[to])


def mark(plane, alpha, x, y, value=1):
    """Set a plane of labels where the patch covers it."""
    where = window(plane.shape, int(x), int(y), *alpha.shape[:2])
    if where is not None:
        plane[where[0]][alpha[where[1]] > .5] = value


def shade(image, alpha, x, y, sigma, depth):
    """A soft shadow of a patch."""
    pad = int(2 * sigma) + 2
    spread = blur(cv2.copyMakeBorder(alpha, pad, pad, pad, pad, cv2.BORDER_CONSTANT), sigma)
    paste(image, np.zeros(3, np.float32), spread * np.float32(depth), x - pad, y - pad)


@functools.lru_cache(maxsize=4)
def font_files(directory):
    """Paths of the TrueType fonts in a directory; none is fine, Hershey is always there."""
    if not directory:
        return ()
    return tuple(str(p) for p in sorted(pathlib.Path(directory).rglob('*.ttf')))


@functools.lru_cache(maxsize=512)
def _font(path, size):
    return ImageFont.truetype(path, size)


def word(rng):
    """Letters or figures without a sense; often as long as one kernel or one character."""
    if chance(rng, .25):
        return str(rng.integers(0, 10 ** int(rng.integers(1, 6))))
    letters = 'abcdefghijklmnopqrstuvwxyz'
    text = ''.join(pick(rng, letters) for _ in range(rng.integers(1, 9)))
    text = pick(rng, (text, text.upper(), text.upper(), text.capitalize()))
    return text + pick(rng, ('', '', '', '.', '-', '%', '!', ' 1', ' ml', ' /'))


def print_mask(rng, fonts, side, size, angle):
    """A word in a square patch, 0..1; `size` is the height of its letters, about."""
    text, files = word(rng), font_files(fonts)
    if files and chance(rng, .6):
        sheet = Image.new('L', (side, side), 0)
        font = _font(pick(rng, files), max(5, int(size * 1.3)))
        try:
            ImageDraw.Draw(sheet).text((side / 2, side / 2), text, 255, font=font, anchor='mm')
        except (OSError, ValueError):  # a font without these letters
            return print_mask(rng, None, side, size, angle)
        mask = np.array(sheet)
    else:
        mask = np.zeros((side, side), np.uint8)
        face, stroke = pick(rng, HERSHEY), max(1, round(size * rng.uniform(.06, .3)))
        (w, h), _ = cv2.getTextSize(text, face, size / 22, stroke)
        cv2.putText(mask, text, ((side - w) // 2, (side + h) // 2), face, size / 22, 255, stroke,
                    cv2.LINE_AA)
    spin = cv2.getRotationMatrix2D((side / 2, side / 2), np.degrees(angle), 1)
    return cv2.warpAffine(mask, spin, (side, side)).astype(np.float32) / 255
