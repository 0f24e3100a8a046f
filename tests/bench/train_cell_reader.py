"""Train the network that reads double tracking from folded cells, and tell how well it reads scenes never trained on.

    python tests/bench/train_cell_reader.py --test
    python tests/bench/train_cell_reader.py --minutes 60 [--seed N] [--from cell_reader.npz] [--out cell_reader.npz]

Needs torch, which the project itself does not: `pip install torch`. Training runs on one core; an hour from nothing is
enough to see what a change does, `--from` goes on from weights that are there. Every scene is new (`cell_scenes.py`),
so that the network cannot learn any by heart; what it has never seen is a real photo. The thresholds in
`knurlsight/measuring/ghost.py` belong to the weights: judge both on rendered photos before new weights are kept.
"""

from __future__ import annotations

import argparse
import io
import itertools
import math
import time
import zipfile
from importlib.resources import files
from pathlib import Path

import numpy as np
from knurlsight.errors import KnurlsightError
from knurlsight.measuring.cell_reader import CLIP, WEIGHTS
from knurlsight.output import check_writable, write_bytes

try:
    import torch
except ImportError:
    raise SystemExit("train_cell_reader.py: torch is missing; type: pip install torch") from None

from cell_scenes import random_scenes
from torch import Tensor, nn
from torch.nn import functional as F

PACKAGE_WEIGHTS = Path(str(files("knurlsight.measuring"))) / WEIGHTS
CHANNELS = (16, 24, 32)
HIDDEN = 48
LOG_U_LIMITS = (-4.0, 1.0)  # as in the reader

SCENES_PER_STEP = 64
PEAK_RATE, PEAK_RATE_FROM = 3e-3, 2e-3  # from nothing; from weights, which a high rate would spoil
LAST_RATE = 2e-5
WARM_STEPS, FIRST_SHARE = 100, 0.05
WEIGHT_DECAY = 1e-4
GRADIENT_LIMIT = 1.0
RATIO_SHARE, OFFSET_SHARE = 0.3, 5.0  # of the loss: yes or no comes first; an offset's squared error is small
STEPS_PER_LINE = 100

HELD_OUT_SEED = 987_654_321  # apart from any seed that one would type
HELD_OUT_BATCHES = 48
FALSE_ALARMS = 0.02  # of clean families
RATIO_BANDS = (0.0, 0.2, 0.3, 0.4, 0.6, 1.01)
FILL_BANDS = (0.0, 0.5, 0.7, 0.85, 1.01)


class Reader(nn.Module):
    """The network that `measuring/cell_reader.py` runs in NumPy; its parameters' names are those in the file."""

    def __init__(self) -> None:
        super().__init__()
        a, b, c = CHANNELS
        self.c1, self.c2, self.c3, self.c4 = wrapped(1, a, 5), wrapped(a, b, 3), wrapped(b, c, 3), wrapped(c, c, 3)
        self.d = nn.Conv1d(2 * c, c, 3, padding=1, padding_mode="circular")
        self.f1 = nn.Linear(4 * c, HIDDEN)
        self.f2 = nn.Linear(HIDDEN, 4)

    def forward(self, cells: Tensor) -> Tensor:
        """Log odds, ratio, log of its uncertainty, offset, (scenes, 4), of cells (scenes, arcs, n, n)."""
        scenes, arcs, n, _ = cells.shape
        x = cells.reshape(scenes * arcs, 1, n, n).clamp(-CLIP, CLIP)
        x = F.avg_pool2d(F.relu(self.c2(F.relu(self.c1(x)))), 2)
        x = F.relu(self.c4(F.relu(self.c3(x))))
        lines = F.relu(self.d(torch.cat([x.mean(3), x.amax(3)], 1)))
        each = torch.cat([lines.mean(2), lines.amax(2)], 1).reshape(scenes, arcs, -1)
        together = torch.cat([each.mean(1), each.amax(1)], 1)
        return self.f2(F.relu(self.f1(together)))


def wrapped(into: int, out: int, size: int) -> nn.Conv2d:
    return nn.Conv2d(into, out, size, padding=size // 2, padding_mode="circular")


def loss_of(read: Tensor, ratio: Tensor, offset: Tensor) -> Tensor:
    """Cross entropy of "doubled"; where it is true, also the ratio (Gaussian, its width learned) and the offset."""
    doubled = (ratio > 0).float()
    count = doubled.sum().clamp(min=1)
    log_u = read[:, 2].clamp(*LOG_U_LIMITS)
    unlikely = 0.5 * ((read[:, 1] - ratio) / torch.exp(log_u)) ** 2 + log_u
    apart = (read[:, 3] - torch.minimum(offset, 1 - offset)) ** 2
    called = F.binary_cross_entropy_with_logits(read[:, 0], doubled)
    return called + (RATIO_SHARE * (unlikely * doubled).sum() + OFFSET_SHARE * (apart * doubled).sum()) / count


def rate(peak: float, step: int, done: float) -> float:
    """Learning rate: a short rise, then half a cosine over the time given (`done` 0 to 1)."""
    return peak * min(1.0, step / WARM_STEPS + FIRST_SHARE) * 0.5 * (1 + math.cos(math.pi * done)) + LAST_RATE


def train(net: Reader, minutes: float, peak: float, generator: torch.Generator) -> None:
    """Train for so long, a line every `STEPS_PER_LINE` steps."""
    optimiser = torch.optim.AdamW(net.parameters(), lr=peak, weight_decay=WEIGHT_DECAY)
    start, step, seen = time.monotonic(), 0, []
    while (done := (time.monotonic() - start) / 60 / minutes) < 1:
        for group in optimiser.param_groups:
            group["lr"] = rate(peak, step, done)
        with torch.no_grad():
            scenes = random_scenes(SCENES_PER_STEP, generator)
        if not bool(torch.isfinite(scenes.cells).all()):
            continue
        read = net(scenes.cells)
        loss = loss_of(read, scenes.grooves.ratio, scenes.grooves.offset)
        optimiser.zero_grad()
        loss.backward()
        nn.utils.clip_grad_norm_(net.parameters(), GRADIENT_LIMIT)
        optimiser.step()
        step += 1
        right = ((read[:, 0] > 0) == (scenes.grooves.ratio > 0)).float().mean().item()
        seen.append((loss.item(), right))
        if step % STEPS_PER_LINE == 0:
            loss_mean, right_mean = np.mean(seen[-STEPS_PER_LINE:], axis=0)
            print(
                f"{step:6d} steps {done * minutes:6.1f} min  loss {loss_mean:6.3f}  right {right_mean:.3f}", flush=True
            )


@torch.no_grad()
def print_table(net: Reader) -> None:
    """How held-out scenes are read, at the log odds that call `FALSE_ALARMS` of the clean families doubled."""
    generator = torch.Generator().manual_seed(HELD_OUT_SEED)
    batches = [random_scenes(SCENES_PER_STEP, generator) for _ in range(HELD_OUT_BATCHES)]
    read = torch.cat([net(b.cells) for b in batches]).numpy()
    ratio = torch.cat([b.grooves.ratio for b in batches]).numpy()
    fill = torch.cat([b.grooves.fill for b in batches]).numpy()
    good = np.isfinite(read).all(axis=1)
    read, ratio, fill = read[good], ratio[good], fill[good]
    log_odds, clean = read[:, 0], ratio == 0
    above = float(np.quantile(log_odds[clean], 1 - FALSE_ALARMS))
    found = log_odds > above
    right = np.mean((log_odds > 0) == ~clean)
    print(f"\n{len(ratio)} held-out scenes, {clean.sum()} clean; right at log odds 0: {right:.3f}")
    print(f"doubled where log odds > {above:.2f}, which {FALSE_ALARMS:.0%} of the clean ones are\n")
    print(f"{'second track':>16s} {'scenes':>7s} {'found':>6s} {'ratio: mean error':>18s} {'rms':>6s} {'u, read':>8s}")
    for low, high in itertools.pairwise(RATIO_BANDS):
        there = ~clean & (ratio >= low) & (ratio < high)
        print_row(f"ratio {low:.2f}-{min(high, 1):.2f}", there, found, read, ratio)
    print()
    for low, high in itertools.pairwise(FILL_BANDS):
        here = (fill >= low) & (fill < high)
        alarms = found[here & clean].mean() if (here & clean).any() else math.nan
        print_row(
            f"fill {low:.2f}-{min(high, 1):.2f}", here & ~clean, found, read, ratio, f"  false alarms {alarms:.3f}"
        )


def print_row(
    name: str, there: np.ndarray, found: np.ndarray, read: np.ndarray, ratio: np.ndarray, end: str = ""
) -> None:
    """One band; the ratio is judged where a track was found, since nobody is told of the others."""
    told = there & found
    if not told.any():
        print(f"{name:>16s} {there.sum():7d} {'none' if there.any() else '':>6s}{end}")
        return
    error = read[told, 1] - ratio[told]
    u = np.exp(np.clip(read[told, 2], *LOG_U_LIMITS))
    rms = np.sqrt(np.mean(error**2))
    share = found[there].mean()
    print(f"{name:>16s} {there.sum():7d} {share:6.2f} {error.mean():+18.3f} {rms:6.3f} {np.median(u):8.3f}{end}")


def read_weights(net: Reader, path: Path) -> None:
    """Take weights from a file of `write_weights`."""
    try:
        with np.load(path) as stored:
            net.load_state_dict({name: torch.from_numpy(stored[name].astype(np.float32)) for name in stored.files})
    except OSError as e:
        raise KnurlsightError(f"{path}: cannot be read ({e.strerror or e}); give a file that this script wrote") from e
    except (ValueError, RuntimeError, zipfile.BadZipFile) as e:
        raise KnurlsightError(f"{path}: not the weights of this network; give a file that this script wrote") from e


def write_weights(net: Reader, path: Path) -> None:
    """float16 halves the file and changes a reading by less than the photo's noise does."""
    buffer = io.BytesIO()
    arrays = {name: value.numpy().astype(np.float16) for name, value in net.state_dict().items()}
    np.savez_compressed(buffer, **arrays)
    write_bytes(path, buffer.getvalue())


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--minutes", type=float, default=60.0)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--from", dest="start", type=Path, help="weights to go on from; default: random ones")
    parser.add_argument("--out", type=Path, default=PACKAGE_WEIGHTS, help="default: the weights in the package")
    parser.add_argument("--test", action="store_true", help="only print the table, for the weights in the package")
    args = parser.parse_args()
    if not args.minutes > 0:
        parser.error(f"--minutes: {args.minutes:g} is no time to train; give more than 0")
    torch.set_num_threads(1)
    torch.manual_seed(args.seed)  # the first weights
    net = Reader()
    try:
        if args.test:
            read_weights(net, PACKAGE_WEIGHTS)
        else:
            check_writable(args.out)
            if args.start:
                read_weights(net, args.start)
            peak = PEAK_RATE_FROM if args.start else PEAK_RATE
            train(net, args.minutes, peak, torch.Generator().manual_seed(args.seed))
            write_weights(net, args.out)
            read_weights(net, args.out)  # judge what was written, rounded as it is
    except KnurlsightError as e:
        raise SystemExit(f"train_cell_reader.py: {e.message}") from None
    print_table(net)
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
