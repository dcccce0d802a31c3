"""Photographs of single kernels: packing them, and reading the pack.

    python3 kernels.py pack DIRECTORY OUT

DIRECTORY has one folder per variety, each picture one kernel on a black ground.
A packed kernel lies along x, is WIDTH px wide and has its colour cast mostly
taken off (varieties were photographed under different light; the scenes bring
casts of their own).
"""
import argparse
import functools
import io
import pathlib

import cv2
import numpy as np

WIDTH = 36          # px across a packed kernel: three times the working scale
LEVEL = 150         # mean level of a packed kernel, 0..255
GROUND = 28         # the ground of the photographs is darker than this
HELD_OUT = 8        # one kernel in so many is for validation only
MARGIN = 6          # px of ground kept around


def outline(image):
    """The kernel's filled mask, or None where there is no plausible kernel."""
    bright = (image.max(2) > GROUND).astype(np.uint8)
    contours, _ = cv2.findContours(bright, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    if not contours:
        return None, None
    largest = max(contours, key=cv2.contourArea)
    if cv2.contourArea(largest) < 800:
        return None, None
    mask = np.zeros(bright.shape, np.uint8)
    cv2.drawContours(mask, [largest], -1, 1, -1)
    return mask, largest


def bleed(image, mask):
    """Carry the kernel's colours outwards, so that its edge is not darkened by the ground."""
    weight = cv2.erode(mask, np.ones((3, 3), np.uint8)).astype(np.float32)
    colour = image.astype(np.float32) * weight[..., None]
    for reach in (5, 15, 41):
        near = cv2.blur(weight, (reach, reach))
        mean = cv2.blur(colour, (reach, reach)) / np.maximum(near, 1e-3)[..., None]
        new = (weight == 0) & (near > .02)
        colour[new], weight[new] = mean[new], 1
    return colour


def straighten(image):
    """One kernel along x at WIDTH px: colour H x W x 3 and mask, bytes; None if unusable."""
    mask, contour = outline(image)
    if mask is None:
        return None
    (cx, cy), (w, h), angle = cv2.minAreaRect(contour)
    if w < h:
        w, h, angle = h, w, angle + 90
    scale = WIDTH / h
    size = (int(w * scale) + 2 * MARGIN, int(h * scale) + 2 * MARGIN)
    move = cv2.getRotationMatrix2D((cx, cy), angle, scale)
    move[:, 2] += np.array(size) / 2 - (cx, cy)
    softened = cv2.GaussianBlur(bleed(image, mask), (0, 0), max(.3, .4 / scale))
    colour = cv2.warpAffine(softened, move, size, borderMode=cv2.BORDER_REPLICATE)
    alpha = cv2.warpAffine(cv2.GaussianBlur(mask.astype(np.float32), (0, 0), .8), move, size)
    mean = colour[alpha > .5].mean(0)
    colour = colour * (LEVEL / mean.mean()) * (mean.mean() / mean) ** .8
    return np.clip(colour, 0, 255).astype(np.uint8), (np.clip(alpha, 0, 1) * 255).astype(np.uint8)


def pack(directory, out):
    """Write all kernels into one file: JPEG for colours, PNG for masks, a table for both."""
    blobs, varieties, held = [], [], []
    for folder in sorted(p for p in pathlib.Path(directory).iterdir() if p.is_dir()):
        for number, path in enumerate(sorted(folder.iterdir())):
            image = cv2.imread(str(path))
            found = straighten(image) if image is not None else None
            if found is None:
                print('left out:', folder.name, path.name)
                continue
            blobs.append(cv2.imencode('.jpg', found[0], [cv2.IMWRITE_JPEG_QUALITY, 94])[1])
            blobs.append(cv2.imencode('.png', found[1])[1])
            varieties.append(folder.name)
            held.append(number % HELD_OUT == HELD_OUT - 1)
        print(folder.name, varieties.count(folder.name))
    table = io.BytesIO()
    np.savez(table, data=np.concatenate([b.ravel() for b in blobs]),
             sizes=[b.size for b in blobs], variety=varieties, held=held)
    pathlib.Path(out).write_bytes(table.getvalue())
    print(len(varieties), 'kernels,', round(len(table.getvalue()) / 1e6, 1), 'MB')


def height_of(mask):
    """How high the kernel stands, 0..1, as if its cross-section were round."""
    inner = cv2.distanceTransform((mask > 127).astype(np.uint8), cv2.DIST_L2, 5)
    inner = cv2.GaussianBlur(inner / max(inner.max(), 1), (0, 0), 2)
    return np.sqrt(np.clip(1 - (1 - np.clip(inner, 0, 1)) ** 2, 0, 1)).astype(np.float32)


class Bank:
    """The kernels of one split: `by_variety[name]` lists (large, small) sources.

    A source is H x W x 5: blue, green, red, alpha, height, 0..255; the small one
    has half the size, for kernels drawn at less than half WIDTH.
    """

    def __init__(self, path, held_out=False, leave=None, only=None):
        table = np.load(path)
        ends = np.cumsum(table['sizes'])
        starts, data = ends - table['sizes'], table['data']
        self.by_variety = {}
        for i, (variety, held) in enumerate(zip(table['variety'], table['held'])):
            if variety == leave or (only and variety != only) or (not only and held != held_out):
                continue
            colour = cv2.imdecode(data[starts[2 * i]:ends[2 * i]], 1)
            mask = cv2.imdecode(data[starts[2 * i + 1]:ends[2 * i + 1]], 0)
            height = (height_of(mask) * 255).astype(np.uint8)
            large = np.dstack([colour, mask, height])
            self.by_variety.setdefault(str(variety), []).append((large, halved(large)))
        self.varieties = sorted(self.by_variety)


def halved(source):
    shrink = functools.partial(cv2.resize, dsize=None, fx=.5, fy=.5, interpolation=cv2.INTER_AREA)
    return np.dstack([shrink(np.ascontiguousarray(source[..., :3])),
                      shrink(np.ascontiguousarray(source[..., 3])),
                      shrink(np.ascontiguousarray(source[..., 4]))])


def main():
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument('action', choices=['pack'])
    parser.add_argument('directory')
    parser.add_argument('out')
    options = parser.parse_args()
    pack(options.directory, options.out)


if __name__ == '__main__':
    main()
