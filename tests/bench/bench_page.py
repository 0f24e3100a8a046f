"""The bench page measured: photo to verdict, first paint, weight, memory for each device, and a long run.

    python tests/bench/bench_page.py [PHOTO] [--uploads 1000] [--rounds 5] [--fuzz]

Times are given as ratios to the command line's own time for the same photo on the same machine in the same run. The
long run hands in small photos without a part, which go the whole way through a worker quickly.
"""

from __future__ import annotations

import argparse
import contextlib
import os
import re
import shutil
import signal
import statistics
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Iterator
from pathlib import Path

import cv2
import httpx2
import numpy as np

SHARED = Path(__file__).resolve().parents[2].parent / "shared" / "photos" / "rendered"
DEFAULT = SHARED / "d13_rge_chipped_tooth_12mp.jpg"
PORT = 8971
URL = f"http://localhost:{PORT}"
PYTHON = [sys.executable, "-m", "knurlsight"]


@contextlib.contextmanager
def served(folder: Path) -> Iterator[subprocess.Popen[bytes]]:
    """A bench on a store of its own."""
    said = folder / "stderr.txt"
    with said.open("wb") as out:
        command = [*PYTHON, "bench", "--store", str(folder / "store"), "--port", str(PORT)]
        process = subprocess.Popen(command, stderr=out)
    try:
        while "Ctrl-C" not in said.read_text():
            time.sleep(0.1)
        time.sleep(3)  # the workers load their libraries
        yield process
    finally:
        process.send_signal(signal.SIGINT)
        process.wait(30)


def to_verdict(client: httpx2.Client, photo: bytes, upload: str) -> float:
    """Seconds from the tap to the verdict page, progress followed as the page's script does."""
    start = time.perf_counter()
    form = {"data": {"upload": upload}, "files": {"photo": ("photo.jpg", photo, "image/jpeg")}}
    while (answer := client.post("/inspections", headers={"accept": "application/json"}, **form)).status_code in (
        429,
        503,
    ):
        time.sleep(0.5)
    path = answer.json()["path"]
    with client.stream("GET", f"{path}/events", timeout=900) as events:
        for line in events.iter_lines():
            if '"done"' in line or '"failed"' in line:
                break
    client.get(path).raise_for_status()
    client.get(f"{path}/picture.jpg")
    return time.perf_counter() - start


def rounds(photo: bytes, clients: int, each: int, name: str) -> list[float]:
    """Times of several clients at once, each handing in some photos in a row."""
    times: list[float] = []

    def one(number: int) -> None:
        with httpx2.Client(base_url=URL, timeout=900) as client:
            times.extend(to_verdict(client, photo, f"{name}-{number}-{n}-upload") for n in range(each))

    threads = [threading.Thread(target=one, args=(n,)) for n in range(clients)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    return times


def resident_mb(pid: int) -> float:
    """Memory of a process."""
    text = Path(f"/proc/{pid}/status").read_text()
    found = re.search(r"VmRSS:\s+(\d+)", text)
    return int(found[1]) / 1024 if found else 0.0


def workers_of(pid: int) -> list[int]:
    """Processes that a process has started and that measure."""
    text = subprocess.run(["ps", "--ppid", str(pid), "-o", "pid=,args="], capture_output=True, text=True).stdout
    return [int(line.split()[0]) for line in text.splitlines() if "spawn_main" in line]


def row(name: str, value: str) -> None:
    """One line of the table."""
    print(f"{name:<58} {value}", flush=True)


def ratios(name: str, times: list[float], own: float) -> None:
    """Median and 95th percentile of times, as ratios to the command line."""
    p95 = sorted(times)[min(len(times) - 1, round(0.95 * (len(times) - 1)))]
    row(name, f"{statistics.median(times) / own:5.2f} / {p95 / own:5.2f}   ({len(times)} photos)")


def first_paint() -> None:
    """First paint and weight of the first page on a phone-sized window."""
    chromium = shutil.which("chromium")
    if chromium is None:
        row("first paint", "not measured: no chromium")
        return
    from playwright.sync_api import sync_playwright

    with sync_playwright() as driver:
        browser = driver.chromium.launch(executable_path=chromium, args=["--no-sandbox"])
        paints = []
        for _ in range(5):
            phone = browser.new_context(viewport={"width": 390, "height": 844})
            page = phone.new_page()
            page.goto(URL)
            paints.append(
                page.evaluate(
                    "() => new Promise((told) => new PerformanceObserver((l) => { const f = "
                    "l.getEntriesByName('first-contentful-paint')[0]; if (f) told(f.startTime); })"
                    ".observe({ type: 'paint', buffered: true }))"
                )
            )
            weight = page.evaluate(
                "performance.getEntries().filter((e) => e.transferSize).reduce((s, e) => s + e.transferSize, 0)"
            )
            phone.close()  # its connections count for this address
        browser.close()
    row("first paint, median of 5 cold loads (aim: 1 s)", f"{statistics.median(paints) / 1000:.2f} s")
    row("the page and all that it loads (aim: 100 kB)", f"{weight / 1000:.0f} kB")


def idle_devices(server: int, count: int = 50) -> None:
    """Memory of the server for each device that waits for progress, each at an address of its own."""
    with httpx2.Client(base_url=URL, timeout=60) as client, contextlib.ExitStack() as open_streams:
        blank = {"data": {"upload": "idle-upload-0"}, "files": {"photo": ("a.jpg", small_photo(0))}}
        path = client.post("/inspections", headers={"accept": "application/json"}, **blank).json()["path"]
        before = resident_mb(server)
        for n in range(count):
            address = httpx2.HTTPTransport(local_address=f"127.0.1.{n + 1}")
            own = open_streams.enter_context(
                httpx2.Client(base_url=f"http://127.0.0.1:{PORT}", timeout=60, transport=address)
            )
            open_streams.enter_context(own.stream("GET", "/jobs"))
            open_streams.enter_context(own.stream("GET", f"{path}/events"))
        row(f"memory for each idle device ({count} of them)", f"{1024 * (resident_mb(server) - before) / count:.0f} kB")


def small_photo(seed: int) -> bytes:
    """A small photo without a part."""
    noise = np.random.default_rng(seed).integers(90, 110, (96, 128), dtype=np.uint8)
    return bytes(cv2.imencode(".jpg", noise)[1])


def long_run(server: int, uploads: int) -> None:
    """Many uploads in a row: memory of the server and of its workers early and late."""
    early: list[float] = []
    with httpx2.Client(base_url=URL, timeout=60) as client:
        start = time.perf_counter()
        for n in range(uploads):
            to_verdict(client, small_photo(n), f"long-run-{n:06d}")
            if n == uploads // 5:
                early = [resident_mb(p) for p in (server, *workers_of(server))]
        took = time.perf_counter() - start
    late = [resident_mb(p) for p in (server, *workers_of(server))]
    words = ", ".join(f"{a:.0f} -> {b:.0f}" for a, b in zip(early, late, strict=False))
    row(f"{uploads} uploads in a row, MB after a fifth -> at the end", words + f" MB (server, workers); {took:.0f} s")


def fuzz(folder: Path) -> None:
    """Requests made up from the API's own description."""
    token = httpx2.post(f"{URL}/api/v1/tokens", json={"name": "fuzz"}).json()["token"]
    checks = "not_a_server_error,status_code_conformance,content_type_conformance,response_schema_conformance"
    command = [sys.executable, "-m", "schemathesis.cli", "run", f"{URL}/api/v1/openapi.json", "--checks", checks]
    done = subprocess.run(
        [*command, "--header", f"Authorization: Bearer {token}", "--max-examples", "100", "--no-color"],
        capture_output=True,
        text=True,
        cwd=folder,
    )
    cases = re.search(r"(\d+) generated", done.stdout)
    row(
        "made up from the description",
        f"{cases[1] if cases else '?'} requests, {'no' if not done.returncode else 'SOME'} fault",
    )


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("photo", nargs="?", type=Path, default=DEFAULT)
    parser.add_argument("--uploads", type=int, default=1000)
    parser.add_argument("--rounds", type=int, default=5)
    parser.add_argument("--fuzz", action="store_true")
    asked = parser.parse_args()
    os.environ["OPENBLAS_NUM_THREADS"] = "1"
    photo = asked.photo.read_bytes()
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        own = []
        outputs = [
            "--json",
            str(folder / "a.json"),
            "--report",
            str(folder / "a.html"),
            "--picture",
            str(folder / "a.png"),
        ]
        for _ in range(2):
            start = time.perf_counter()
            subprocess.run([*PYTHON, "inspect", str(asked.photo), *outputs], capture_output=True)
            own.append(time.perf_counter() - start)
        row("command line: inspect with JSON, report and picture", f"{min(own):.1f} s (the unit of the next two lines)")
        with served(folder) as process:
            ratios("photo to verdict, 1 client, median / p95", rounds(photo, 1, asked.rounds, "single"), min(own))
            busy = max(resident_mb(p) for p in workers_of(process.pid))
            ratios("photo to verdict, 8 clients at once, median / p95", rounds(photo, 8, 1, "eight"), min(own))
            first_paint()
            idle_devices(process.pid)
            row("memory of a worker after this photo", f"{busy:.0f} MB")
            row("memory of the server", f"{resident_mb(process.pid):.0f} MB")
            if asked.uploads:
                long_run(process.pid, asked.uploads)
            if asked.fuzz:
                fuzz(folder)


if __name__ == "__main__":
    main()
