"""How good a network is on scenes it has not seen, drawn with held-out kernels.

    python3 evaluate.py --kernels PACK --fonts DIRECTORY --model NAME.onnx [--scenes 100]

Runs the ONNX file in OpenCV and parts the pieces in the plainest way: seeds where
distance * (1 - border) is large, grown over the body. The program does it better;
this only compares networks.
"""
import argparse

import cv2
import numpy as np
from scipy import ndimage

import scene as scenes
from kernels import Bank
from net import MAPS

SEED = .45      # distance * (1 - border) of a seed
SAME = .5       # intersection over union of a piece found
PART = .2       # share of a piece that counts when splits and joins are counted
LOGITS = [i for i, name in enumerate(MAPS) if not name.startswith('offset')]


class Model:
    def __init__(self, path):
        self.net = cv2.dnn.readNetFromONNX(path)

    def maps(self, image):
        """The maps at full resolution; logits as probabilities."""
        self.net.setInput(cv2.dnn.blobFromImage(image, 1 / 255, mean=(127.5,) * 3))
        out = self.net.forward()[0]
        h, w = out.shape[1:]
        out = out.reshape(len(MAPS), 2, 2, h, w).transpose(0, 3, 1, 4, 2)
        out = out.reshape(len(MAPS), 2 * h, 2 * w).copy()
        out[LOGITS] = 1 / (1 + np.exp(-np.clip(out[LOGITS], -30, 30)))
        return out


def part(maps):
    """Labels of the pieces that are body and not object."""
    body, core = maps[0] > .5, maps[1] * (1 - maps[2])
    seeds, _ = ndimage.label((core > SEED) & body, np.ones((3, 3)))
    areas = np.bincount(seeds.ravel())
    seeds[(areas < 3)[seeds]] = 0
    height = np.clip(255 * (1 - core), 0, 255).astype(np.uint8)
    markers = np.where(body, seeds, -1)
    labels = np.maximum(ndimage.watershed_ift(height, markers.astype(np.int32)), 0) * body
    areas = np.bincount(labels.ravel())
    labels[(areas < scenes.LEAST_AREA)[labels]] = 0
    return labels


def compare(labels, truth, bits):
    """Counts: found, missed, false pieces, splits, joins, false pieces on objects."""
    n, m = labels.max() + 1, truth.max() + 1
    both = np.bincount((truth.astype(np.int64) * n + labels).ravel(), minlength=n * m).reshape(m, n)
    true_area, area = both.sum(1), both.sum(0)
    iou = both / np.maximum(true_area[:, None] + area[None] - both, 1)
    ignored = bits & scenes.IGNORE > 0
    unseen = np.bincount(truth.ravel(), ignored.ravel(), minlength=m) > 0
    real = (true_area > 0) & ~unseen
    skip = np.bincount(labels.ravel(), ignored.ravel(), minlength=n) > .3 * area
    made = (area > 0) & ~skip
    real[0] = made[0] = False
    hit = (iou[1:] > SAME)[real[1:]][:, made].sum() if n > 1 and m > 1 else 0
    thing = np.bincount(labels.ravel(), (bits & scenes.OBJECT > 0).ravel(), minlength=n)
    splits = ((both[:, 1:] > PART * true_area[:, None]).sum(1) > 1) & real
    joins = ((both[1:] > PART * np.maximum(true_area[1:, None], 1)).sum(0) > 1) & made
    return np.array([hit, real.sum() - hit, made.sum() - hit, splits.sum(), joins.sum(),
                     (made & (thing > .5 * area)).sum()])


def map_errors(maps, plan):
    """Mean absolute error, or of logits the cross-entropy, of each map where it is trained."""
    bits = plan[0]
    seen, body = bits & scenes.IGNORE == 0, bits & scenes.BODY > 0
    rice = body & (bits & scenes.FOREIGN == 0)
    truths = {'body': (bits & scenes.BODY > 0, seen), 'border': (bits & scenes.BORDER > 0, seen),
              'distance': (plan[1] / 255, seen),
              'foreign': (bits & scenes.FOREIGN > 0, body & seen),
              'object': (bits & scenes.OBJECT > 0, seen),
              'covered': (bits & scenes.COVERED > 0, rice & seen)}
    errors = []
    for i, name in enumerate(MAPS):
        if name.startswith('offset'):
            truth = (plan[i - 1].astype(float) - 128) / scenes.STEPS
            where = body & seen
            errors.append(np.abs(maps[i] - truth)[where].mean() if where.any() else np.nan)
            continue
        truth, where = truths[name]
        p = np.clip(maps[i], 1e-6, 1 - 1e-6)
        entropy = -(truth * np.log(p) + (1 - truth) * np.log(1 - p))
        errors.append(entropy[where].mean() if where.any() else np.nan)
    return errors


def main():
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument('--kernels', required=True)
    parser.add_argument('--fonts')
    parser.add_argument('--model', required=True, action='append')
    parser.add_argument('--scenes', type=int, default=100, help='of each family')
    parser.add_argument('--seed', type=int, default=99)
    parser.add_argument('--only', help='kernels of this variety only, all of them')
    options = parser.parse_args()
    bank = Bank(options.kernels, held_out=True, only=options.only)
    models = {path: Model(path) for path in options.model}
    print('model family F1 missed false splits joins on-objects | ' + ' '.join(MAPS))
    for family in scenes.FAMILIES:
        rng = np.random.default_rng(options.seed)
        counts = {path: np.zeros(6, int) for path in models}
        errors = {path: [] for path in models}
        for _ in range(options.scenes):
            drawn = scenes.draw_scene(rng, bank, options.fonts, family)
            plan = scenes.targets(drawn)
            for path, model in models.items():
                maps = model.maps(drawn.image)
                counts[path] += compare(part(maps), drawn.label, plan[0])
                errors[path].append(map_errors(maps, plan))
        for path in models:
            hit, *faults = counts[path]
            f1 = 2 * hit / max(2 * hit + faults[0] + faults[1], 1)
            print(path, family, f'{f1:.4f}', *faults, '|',
                  ' '.join(f'{e:.3f}' for e in np.nanmean(errors[path], 0)), flush=True)


if __name__ == '__main__':
    main()
