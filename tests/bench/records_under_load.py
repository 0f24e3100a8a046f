"""Record stores under load: writers killed at random moments, a crowd of writers, the time that an attach takes.

``python tests/bench/records_under_load.py [kills] [writers] [each]``, by default 200 kills among 4 processes, and 8
writers with 250 inspections each. ``--store URL`` takes an empty PostgreSQL database for the crowd instead of
a new SQLite store.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
import time
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[2] / "fixtures"))
import made_records
from knurlsight.result import json_text, result_of
from record_writers import kill_writers, let_write


def main() -> None:
    """Run both and print."""
    ask = argparse.ArgumentParser(description=__doc__)
    ask.add_argument("kills", type=int, nargs="?", default=200)
    ask.add_argument("writers", type=int, nargs="?", default=8)
    ask.add_argument("each", type=int, nargs="?", default=250)
    ask.add_argument("--store", default=None)
    ask.add_argument("--seed", type=int, default=1)
    given = ask.parse_args()
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        template = folder / "result.json"
        template.write_text(json_text(result_of(made_records.verdicts()["fail"])), encoding="utf-8")
        if given.kills:
            begin = time.monotonic()
            done = kill_writers(folder / "killed", template, kills=given.kills, seed=given.seed)
            lost = set(done.said) - {e.hash for e in done.kept}
            halves = len(list((folder / "killed" / "photos" / "incoming").iterdir()))
            print(
                f"{given.kills} kills in {time.monotonic() - begin:.0f} s: {len(done.kept)} inspections kept, "
                f"{len(done.said)} said to be kept, {len(lost)} of them lost; faults {list(done.seen.faults)}; "
                f"{len(done.broken)} broken photos, {done.strays} photos without a record, {halves} temporary files"
            )
        begin = time.monotonic()
        crowd = let_write(given.store or folder / "crowd", template, writers=given.writers, each=given.each)
        seconds = time.monotonic() - begin
        times = 1000 * np.array(sorted(crowd.said.values()))
        median, p95, p99 = np.percentile(times, [50, 95, 99])
        print(
            f"{given.writers} writers, {given.writers * given.each} inspections, {seconds:.0f} s with start and check: "
            f"{len(crowd.kept)} kept, faults {list(crowd.seen.faults)}, {crowd.strays} strays; "
            f"attach median {median:.1f} ms, p95 {p95:.1f}, p99 {p99:.1f}, longest {times[-1]:.0f}"
        )


if __name__ == "__main__":
    main()
