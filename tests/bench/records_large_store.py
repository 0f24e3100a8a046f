"""A store with 50,000 inspections of made-up parts: time to list, find, show, open, and its size on disk.

``python tests/bench/records_large_store.py [inspections] [--keep FOLDER]``. The entries are real ones, with results of
nine to fifteen kilobytes each; photos are left out, so that the size is the database's. Each question is asked
once cold (in a new process's first call) and then warm, 20 times.
"""

from __future__ import annotations

import argparse
import json
import random
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[2] / "fixtures"))
import made_records
from knurlsight.records import write
from knurlsight.records.chain import Book
from knurlsight.records.facts import BenchFacts, JobFacts
from knurlsight.records.read import entries, jobs
from knurlsight.records.search import Wanted, find
from knurlsight.records.show import found_screen, job_screen, jobs_screen
from knurlsight.records.signature import Signature
from knurlsight.records.statistics import statistics
from knurlsight.records.store import Store, open_store
from knurlsight.records.verify import verify
from knurlsight.result import json_text, result_of

A_JOB = 25


def fill(store: Store, count: int) -> None:
    """Write inspections without photos, many to a transaction."""
    results = [json.loads(json_text(result_of(i))) for i in made_records.verdicts().values()]
    rng = random.Random(1)
    for first in range(0, count, A_JOB):
        number = f"J{first // A_JOB:05d}"
        at = Book("job", number)
        with store.writing() as connection:
            facts = JobFacts(part=f"part {rng.randrange(400)} (invented)", customer=f"customer {rng.randrange(60)}")
            write._append(connection, at, "job", None, facts.stated(), words="opened")
            for n in range(min(A_JOB, count - first)):
                result = rng.choice(results)
                day = f"2026-{rng.randrange(1, 13):02d}-{rng.randrange(1, 29):02d}T09:{n:02d}:00.000Z"
                bench = BenchFacts(serial=str(n), wheels_rolled={f"W{rng.randrange(200)}": rng.randrange(9000)})
                body = {"result": result, "photos": [], "bench": bench.stated(), "note": ""}
                write._append(
                    connection,
                    at,
                    "inspection",
                    Signature("turner", day, "+01:00 CET"),
                    body,
                    op="30",
                    verdict=result["verdict"] or "",
                    words=write.inspection_words(result),
                )


def timed(name: str, ask: Callable[[], object]) -> None:
    """Print the first and the warm time by the clock, and the processor's, which others on the machine change less."""
    times, spent = [], []
    for _ in range(21):
        begin, busy = time.perf_counter(), time.process_time()
        ask()
        times.append(1000 * (time.perf_counter() - begin))
        spent.append(1000 * (time.process_time() - busy))
    warm = np.array(times[1:])
    print(
        f"{name:44s} first {times[0]:7.1f} ms, warm median {np.median(warm):6.1f}, longest {warm.max():6.1f}; "
        f"processor {np.median(spent[1:]):6.1f}"
    )


def main() -> None:
    """Fill, then ask."""
    ask = argparse.ArgumentParser(description=__doc__)
    ask.add_argument("inspections", type=int, nargs="?", default=50_000)
    ask.add_argument("--keep", type=Path, default=None)
    given = ask.parse_args()
    with tempfile.TemporaryDirectory() as name:
        place = given.keep or Path(name) / "store"
        with open_store(place, create=True) as store:
            if not jobs(store, 1).total:
                begin = time.monotonic()
                fill(store, given.inspections)
                print(f"{given.inspections} inspections written in {time.monotonic() - begin:.0f} s")
        timed("open and close", lambda: open_store(place).close())
        with open_store(place) as store:
            timed("list, 50 jobs", lambda: jobs_screen(jobs(store)))
            timed("show, 25 inspections", lambda: job_screen(entries(store, "J00007")))
            for wanted in (
                Wanted(part="part 17"),
                Wanted(part="part 17", verdict="fail"),
                Wanted(wheel="W17"),
                Wanted(verdict="fail"),
                Wanted(fault="pitch"),
                Wanted(since="2026-03-02", until="2026-03-02"),
                Wanted(words="customer 7"),
                Wanted(words="nowhere"),
            ):
                asked = ", ".join(f"{k} {v}" for k, v in vars(wanted).items() if v)
                timed(f"find {asked} ({find(store, wanted).total})", lambda w=wanted: found_screen(find(store, w)))  # type: ignore[misc]
            begin = time.monotonic()
            print(f"stats {statistics(store).entries} entries: {time.monotonic() - begin:.2f} s")
            begin, busy = time.monotonic(), time.process_time()
            faults = verify(store).faults
            took = time.process_time() - busy
            print(f"verify: {time.monotonic() - begin:.2f} s, processor {took:.2f} s, {len(faults)} faults")
        size = sum(f.stat().st_size for f in place.glob("records.sqlite*"))
        print(f"size on disk {size / 1e6:.0f} MB, {size / given.inspections / 1000:.1f} kB an inspection")


if __name__ == "__main__":
    main()
