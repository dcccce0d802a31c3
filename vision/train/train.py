"""Trains networks side by side on scenes that are drawn meanwhile.

    python3 train.py --kernels PACK --fonts DIRECTORY --out DIRECTORY --minutes 9.2 \\
        --net a=deep,1,2e-3 --net b=slim,2,2e-3 [--start a=a.pt] [--workers 30]

Every --net is NAME=SHAPE,SEED,LEARNING-RATE. Worker processes draw; each GPU has one
process that keeps all scenes and trains its share of the nets (dealt out in turn) on
them. Drawing is what costs: every scene goes to every GPU. Without a GPU it runs on
the processor, for trying only.
"""
import argparse
import copy
import math
import os
import pathlib
import queue
import time

os.environ.setdefault('OMP_NUM_THREADS', '1')
os.environ.setdefault('OPENBLAS_NUM_THREADS', '1')

import numpy as np
import torch
import torch.multiprocessing as mp
from torch.nn import functional

import scene as scenes
from kernels import Bank
from net import SHAPES, Net, export, restore, spread, unfold

BLOCK = 8           # scenes sent at once
VALIDATION = 30     # blocks of scenes with held-out kernels, drawn first
WARM_UP = 300       # steps until the full learning rate
LAST_RATE = .005    # of the learning rate, at the end
KEEP = .999         # of the averaged weights, per step


def draw_blocks(queues, seed, options, validate):
    """A worker: draw blocks of scenes for ever and give each to every GPU's process."""
    np.seterr(all='ignore')
    torch.set_num_threads(1)
    rng, bank = np.random.default_rng(seed), load(options, True) if validate else None
    while True:
        bank = bank or load(options, False)
        images, plans = [], []
        while len(images) < BLOCK:
            try:
                drawn = scenes.draw_scene(rng, bank, options.fonts)
                plan = scenes.targets(drawn)
            except Exception as problem:  # one bad scene must not end a run
                print('scene left out:', repr(problem), flush=True)
                continue
            images.append(drawn.image)
            plans.append(plan)
        block = (validate, np.stack(images), np.stack(plans))
        for q in queues:
            try:
                q.put(block, timeout=5)
            except queue.Full:  # that process is slow or gone: the others go on
                pass
        if validate:
            validate, bank = False, None


def load(options, held_out):
    return Bank(options.kernels, held_out, leave=options.leave)


class Pool:
    """All scenes drawn so far (the latest `capacity`), as bytes on the device."""

    def __init__(self, source, capacity, device):
        size = scenes.SIZE
        self.images = torch.empty((capacity, 3, size, size), dtype=torch.uint8, device=device)
        self.plans = torch.empty((capacity, 4, size, size), dtype=torch.uint8, device=device)
        self.source, self.capacity, self.device = source, capacity, device
        self.made, self.held_out = 0, []

    def take(self, wait=0):
        """Take one block in, if there is one."""
        try:
            validation, images, plans = self.source.get(timeout=wait) if wait else (
                self.source.get_nowait())
        except queue.Empty:
            return False
        images = torch.from_numpy(images).to(self.device).permute(0, 3, 1, 2)
        plans = torch.from_numpy(plans).to(self.device)
        if validation:
            self.held_out.append((images.contiguous(), plans))
            return True
        at = self.made % self.capacity
        self.images[at:at + BLOCK], self.plans[at:at + BLOCK] = images, plans
        self.made += BLOCK
        return True

    def batch(self, size):
        index = torch.randint(0, min(self.made, self.capacity), (size,), device=self.device)
        return self.images[index], self.plans[index]


def prepared(images, plans):
    """Bytes to numbers: the input, and the targets as a dictionary."""
    bits = plans[:, 0]
    truth = {name: ((bits & bit) > 0).float() for name, bit in (
        ('body', scenes.BODY), ('ignore', scenes.IGNORE), ('border', scenes.BORDER),
        ('foreign', scenes.FOREIGN), ('object', scenes.OBJECT), ('covered', scenes.COVERED))}
    truth['distance'] = plans[:, 1].float() / 255
    truth['offset'] = (plans[:, 2:].float() - 128) / scenes.STEPS
    return images.float() / 255, truth


def flipped(image, truth, way):
    """One of the eight ways to lay a square; offsets are turned with it."""
    def lay(plane):
        if way & 1:
            plane = plane.flip(-1)
        if way & 2:
            plane = plane.flip(-2)
        return plane.transpose(-1, -2) if way & 4 else plane
    truth = {name: lay(plane) for name, plane in truth.items()}
    sign = torch.tensor([-1. if way & 1 else 1., -1. if way & 2 else 1.], device=image.device)
    offset = truth['offset'] * sign[None, :, None, None]
    truth['offset'] = offset.flip(1) if way & 4 else offset
    return lay(image), truth


def recoloured(image):
    """Exposure, cast, veil; now and then grey."""
    n, device = len(image), image.device
    gain = torch.exp(.12 * torch.randn(n, 1, 1, 1, device=device)
                     + .06 * torch.randn(n, 3, 1, 1, device=device))
    image = (image * gain + .02 * torch.randn(n, 1, 1, 1, device=device)).clamp(0, 1)
    grey = (torch.rand(n, 1, 1, 1, device=device) < .04).float()
    return image * (1 - grey) + image.mean(1, keepdim=True) * grey


def losses(out, truth):
    """The loss of each map.

    False pieces are the worst fault, so what lies on objects counts threefold for
    `body`, and a border drawn inside a sound piece counts more than a border missed (6 to
    4): its chances come out low, and half is no natural limit.
    """
    maps = spread(out.float())
    seen = 1 - truth['ignore']
    body, border, thing = truth['body'] * seen, truth['border'], truth['object']
    rice = body * (1 - truth['foreign'])
    inside = (truth['distance'] > .35).float() * (1 - border)

    def entropy(channel, target, weight):
        each = functional.binary_cross_entropy_with_logits(maps[:, channel], target,
                                                           reduction='none')
        return (each * weight).sum() / (weight.sum() + 1)

    apart = functional.smooth_l1_loss(maps[:, 3:5], truth['offset'], reduction='none', beta=.25)
    return {
        'body': entropy(0, truth['body'], seen * (1 + 2 * border + 2 * thing)),
        'distance': entropy(1, truth['distance'], seen * (1 + 3 * body + 4 * border + thing)),
        'border': entropy(2, border, seen * (1 + body + 2 * border + 4 * inside + thing)),
        'offset': (apart.sum(1) * body).sum() / (body.sum() + 1),
        'foreign': entropy(5, truth['foreign'], body * (1 + 3 * truth['foreign'])),
        'object': entropy(6, thing, seen * (1 + thing + 2 * body)),
        'covered': entropy(7, truth['covered'], rice * (1 + 5 * truth['covered']))}


SHARE = {'body': 1, 'distance': 2, 'border': 1, 'offset': .6, 'foreign': .3, 'object': .7,
         'covered': .3}


class Trainee:
    """One network with its average, optimiser and learning rate."""

    def __init__(self, text, starts, device):
        self.name, rest = text.split('=')
        shape, seed, rate = rest.split(',')
        torch.manual_seed(int(seed))
        self.rate, self.device = float(rate), device
        self.net = Net(SHAPES[shape]).to(device)
        if self.name in starts:
            restore(self.net, starts[self.name], device)
        if device != 'cpu':
            self.net = self.net.to(memory_format=torch.channels_last)
        self.average = copy.deepcopy(self.net).eval()
        self.optimiser = torch.optim.AdamW(self.net.parameters(), self.rate, weight_decay=1e-3)
        count = sum(p.numel() for p in self.net.parameters())
        print(self.name, shape, count, 'weights on', device, flush=True)

    def train(self, image, truth, step, share):
        """One step; `share` of the learning rate. Gives the losses, still on the device."""
        for group in self.optimiser.param_groups:
            group['lr'] = self.rate * share
        self.net.train()
        with torch.autocast(self.device.split(':')[0], torch.bfloat16,
                            enabled=self.device != 'cpu'):
            out = self.net(image)
        parts = losses(out, truth)
        self.optimiser.zero_grad(set_to_none=True)
        sum(SHARE[name] * part for name, part in parts.items()).backward()
        torch.nn.utils.clip_grad_norm_(self.net.parameters(), 1.)
        self.optimiser.step()
        self.follow(min(KEEP, (1 + step) / (10 + step)))
        return parts

    @torch.no_grad()
    def follow(self, keep):
        pairs = list(zip(self.average.state_dict().values(), self.net.state_dict().values()))
        floats = [(a, b) for a, b in pairs if a.dtype.is_floating_point]
        torch._foreach_mul_([a for a, _ in floats], keep)
        torch._foreach_add_([a for a, _ in floats], [b for _, b in floats], alpha=1 - keep)

    @torch.no_grad()
    def validate(self, blocks):
        """Mean losses of the averaged network on scenes with held-out kernels."""
        total = {}
        for images, plans in blocks:
            image, truth = prepared(images, plans)
            for name, part in losses(self.average(image - .5), truth).items():
                total[name] = total.get(name, 0) + part.item() / len(blocks)
        return total

    def save(self, folder):
        weights = {name: value.cpu() for name, value in self.average.state_dict().items()}
        torch.save(weights, folder / f'{self.name}.pt')
        export(self.average, folder / f'{self.name}.onnx')


def line_of(parts):
    total = sum(SHARE[name] * float(part) for name, part in parts.items())
    return f'{total:.4f} = ' + ' '.join(f'{name} {float(p):.4f}' for name, p in parts.items())


def learn(source, texts, device, start, options):
    """The process of one device: train its nets until the time is over."""
    torch.set_num_threads(1)
    if device != 'cpu':
        torch.cuda.set_device(device)
        torch.backends.cudnn.benchmark = True
    starts = dict(s.split('=', 1) for s in options.start)
    trainees = [Trainee(text, starts, device) for text in texts]
    pool, step, folder = Pool(source, options.capacity, device), 0, pathlib.Path(options.out)
    while pool.made < options.least:
        pool.take(60)
    began, end = time.time(), start + 60 * options.minutes
    print(device, 'pool ready after', round(began - start), 's', flush=True)
    if options.start:  # where they begin
        report(trainees, pool, folder)
    for trainee in trainees:
        if trainee.name in options.unfold:
            image, _ = prepared(*pool.batch(256))
            unfold(trainee.net, recoloured(image) - .5)
            trainee.average = copy.deepcopy(trainee.net).eval()
    if options.unfold:
        report(trainees, pool, folder)
    while time.time() < end and step != options.steps:
        done = min(1, (time.time() - began) / max(1, end - began))
        share = .5 * (1 + math.cos(math.pi * done)) * (1 - LAST_RATE) + LAST_RATE
        share *= min(1, (step + 1) / WARM_UP)
        for _ in range(12):
            if not pool.take():
                break
        image, truth = flipped(*prepared(*pool.batch(options.batch)), int(torch.randint(8, (1,))))
        image = recoloured(image) - .5
        if device != 'cpu':
            image = image.contiguous(memory_format=torch.channels_last)
        for trainee in trainees:
            parts = trainee.train(image, truth, step, share)
            if step % options.log == 0:
                print(f'{time.time() - start:.0f} s step {step} scenes {pool.made}', trainee.name,
                      line_of(parts), flush=True)
        step += 1
        if step % options.check == 0:
            report(trainees, pool, folder)
    report(trainees, pool, folder)
    print(device, step, 'steps', pool.made, 'scenes', round(time.time() - start), 's', flush=True)


def report(trainees, pool, folder):
    for trainee in trainees:
        trainee.save(folder)
        if pool.held_out:
            print('  held out', trainee.name, line_of(trainee.validate(pool.held_out)), flush=True)


def arguments():
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    add = parser.add_argument
    add('--kernels', required=True, help='the pack that kernels.py writes')
    add('--fonts', help='a directory of TrueType fonts')
    add('--out', required=True, help='directory for NAME.pt and NAME.onnx')
    add('--minutes', type=float, default=9.2)
    add('--steps', type=int, default=-1, help='stop after so many steps')
    add('--net', action='append', required=True, help='NAME=SHAPE,SEED,LEARNING-RATE')
    add('--start', action='append', default=[], help='NAME=WEIGHTS.pt or EXPORT.onnx to go on from')
    add('--unfold', nargs='*', default=[],
        help='names of nets started from an export that get statistics of their own')
    add('--leave', help='a variety to leave out')
    add('--devices', nargs='+', help='all GPUs, or cpu, if not given')
    add('--workers', type=int, default=max(1, (os.cpu_count() or 2) - 2))
    add('--seed', type=int, default=1, help='of the scenes')
    add('--batch', type=int, default=64)
    add('--capacity', type=int, default=160000, help='scenes kept; 0.46 MB each')
    add('--least', type=int, default=1600, help='scenes before training starts')
    add('--log', type=int, default=1000)
    add('--check', type=int, default=5000, help='steps between savings')
    return parser.parse_args()


def main():
    options, start = arguments(), time.time()
    pathlib.Path(options.out).mkdir(parents=True, exist_ok=True)
    options.capacity -= options.capacity % BLOCK
    gpus = [f'cuda:{i}' for i in range(torch.cuda.device_count())]
    devices = (options.devices or gpus or ['cpu'])[:len(options.net)]
    context = mp.get_context('spawn')
    queues = [context.Queue(48) for _ in devices]
    workers = [context.Process(target=draw_blocks, daemon=True, args=(
        queues, [options.seed, i], options, i < VALIDATION)) for i in range(options.workers)]
    learners = [context.Process(target=learn, args=(
        queues[i], options.net[i::len(devices)], devices[i], start, options))
        for i in range(len(devices))]
    for process in workers + learners:
        process.start()
    for process in learners:
        process.join()
    for process in workers:
        process.terminate()


if __name__ == '__main__':
    main()
