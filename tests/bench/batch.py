"""A folder of photos: parts per second and core, scaling, first result, memory, and kill -9 at random moments.

    python tests/bench/batch.py [FOLDER] [--count 200] [--kills 10] [--jobs 1 2]

Photos of the folder are linked under new names until there are `count`. Results must be the same whatever the number of
workers, and the same after `kills` runs that were killed at random moments. Status 1 when they are not.
"""

from __future__ import annotations

import argparse
import contextlib
import json
import os
import random
import resource
import signal
import subprocess
import sys
import tempfile
import threading
import time
from pathlib import Path

SHARED = Path(__file__).resolve().parents[2].parent / "shared" / "photos" / "rendered"
LINE = "[part]\noutside_diameter = '20 mm'\n[pattern]\nform = 'RGE'\nnormal_pitch = '1 mm'\nhelix = '30 deg'\n"
Rows = dict[str, str]


def linked(source: Path, folder: Path, count: int) -> int:
    """Fill a folder with links to photos of one part; returns their bytes."""
    photos = [p for p in sorted(source.glob("*.jpg")) if "tray" not in p.name]
    if not photos:
        raise SystemExit(f"skipped: no photos in {source}; name a folder of photos")
    folder.mkdir()
    size = 0
    for i in range(count):
        photo = photos[i % len(photos)]
        (folder / f"{i:04}_{photo.name}").symlink_to(photo.resolve())
        size += photo.stat().st_size
    return size


def command(folder: Path, setup: Path, out: Path, jobs: int) -> list[str]:
    words = ["batch", str(folder), "--setup", str(setup), "--jobs", str(jobs), "--jsonl", str(out)]
    return [sys.executable, "-m", "knurlsight", *words]


def processes_of(pid: int) -> list[int]:
    """A process and all below it."""
    found = [pid]
    for child in Path(f"/proc/{pid}/task/{pid}/children").read_text().split():
        found += processes_of(int(child))
    return found


def resident_bytes(pid: int) -> int:
    """Memory of a process and all below it, shared pages counted once for each."""
    total = 0
    for one in processes_of(pid):
        fields = Path(f"/proc/{one}/statm").read_text().split()
        total += int(fields[1]) * os.sysconf("SC_PAGE_SIZE")
    return total


def timed(words: list[str], out: Path) -> tuple[float, float, float, float]:
    """Seconds in all, seconds to the first row, peak memory in MB, and seconds of all processors together."""
    begin, before = time.monotonic(), resource.getrusage(resource.RUSAGE_CHILDREN)
    run = subprocess.Popen(words, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, text=True)
    first, peak = float("nan"), 0
    errors: list[str] = []
    reader = threading.Thread(target=lambda: errors.extend(run.stderr or []))
    reader.start()
    while run.poll() is None:
        if first != first and out.exists() and out.stat().st_size:
            first = time.monotonic() - begin
        with contextlib.suppress(OSError):  # a process that has just ended
            peak = max(peak, resident_bytes(run.pid))
        time.sleep(0.05)
    reader.join()
    if run.returncode not in (0, 1, 3):
        raise SystemExit("".join(errors))
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    worked = after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime
    return time.monotonic() - begin, first, peak / 1e6, worked


def rows_of(out: Path) -> Rows:
    """Rows by id, as text; a doubled id stops the bench."""
    rows: Rows = {}
    for line in out.read_text().splitlines():
        part = json.loads(line)["id"]
        if part in rows:
            raise SystemExit(f"{part} stands twice in {out}")
        rows[part] = line
    return rows


def killed(words: list[str], kills: int, expected_s: float, rng: random.Random) -> int:
    """Run, kill outright at random moments, and let the last run end; returns how many were killed in mid-run."""
    met = 0
    for _ in range(kills):
        run = subprocess.Popen(words, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
        try:
            run.wait(rng.uniform(0.3, 1.5 + expected_s / kills))
        except subprocess.TimeoutExpired:
            run.send_signal(signal.SIGKILL)
            run.wait()
            met += 1
    subprocess.run(words, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL, check=False)
    return met


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("folder", type=Path, nargs="?", default=SHARED)
    parser.add_argument("--count", type=int, default=200)
    parser.add_argument("--kills", type=int, default=10)
    parser.add_argument("--jobs", type=int, nargs="+", default=[1, 2])
    parser.add_argument("--seed", type=int, default=1)
    args = parser.parse_args()
    wrong = 0
    with tempfile.TemporaryDirectory() as scratch:
        here = Path(scratch)
        size = linked(args.folder, here / "photos", args.count)
        setup = here / "setup.toml"
        setup.write_text(LINE)
        print(f"{args.count} photos, {size / args.count / 1e6:.2f} MB each; load {os.getloadavg()[0]:.1f}")
        print(f"{'workers':>8} {'s':>8} {'parts/s':>9} {'per core':>9} {'scaling':>8} {'first s':>8} {'MB':>7}")
        alone, whole, seconds = 0.0, {}, 0.0
        for jobs in args.jobs:
            out = here / f"{jobs}.jsonl"
            seconds, first, peak, worked = timed(command(here / "photos", setup, out, jobs), out)
            rate = args.count / seconds
            alone = alone or rate / jobs
            each = rate / jobs
            print(f"{jobs:8d} {seconds:8.1f} {rate:9.3f} {each:9.3f} {each / alone:8.2f} {first:8.1f} {peak:7.0f}")
            rows = rows_of(out)
            if whole and rows != whole:
                print(f"  {sum(rows.get(k) != v for k, v in whole.items())} rows differ from those of {args.jobs[0]}")
                wrong = 1
            whole = whole or rows
            print(f"  {worked / args.count:.2f} core seconds a photo, which other load on the machine hardly changes")
            print(f"  a row has {out.stat().st_size / len(rows) / 1e3:.1f} kB")
        if args.kills:
            out = here / "killed.jsonl"
            words = command(here / "photos", setup, out, args.jobs[-1])
            met = killed(words, args.kills, seconds, random.Random(args.seed))
            same = rows_of(out) == whole
            print(f"killed {met} times in mid-run: results {'the same' if same else 'DIFFER'}")
            wrong |= not same
        begin = time.monotonic()
        table = ["batch", str(here / f"{args.jobs[-1]}.jsonl"), "--summary", str(here / "s.parquet")]
        subprocess.run([sys.executable, "-m", "knurlsight", *table], stdout=subprocess.DEVNULL, check=False)
        print(f"summary of {args.count} rows: {time.monotonic() - begin:.1f} s, ", end="")
        print(f"{(here / 's.parquet').stat().st_size / args.count / 1e3:.2f} kB a part as Parquet")
    return int(wrong)


if __name__ == "__main__":
    raise SystemExit(main())
