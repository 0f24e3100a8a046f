"""How long `knurlsight plan` takes as a process, with and without the simulation, against an empty Python.

Run: python tests/bench/plan_speed.py
"""

from __future__ import annotations

import subprocess
import sys
import time

PLAN = ["plan", "--form", "RGE", "--pitch", "0.8mm", "--outside-diameter", "20mm"]


def seconds(words: list[str], runs: int = 5) -> float:
    """Shortest of a few runs."""
    best = float("inf")
    for _ in range(runs):
        begin = time.perf_counter()
        subprocess.run([sys.executable, *words], check=True, capture_output=True)
        best = min(best, time.perf_counter() - begin)
    return best


def main() -> None:
    """Print the table."""
    import tempfile
    from pathlib import Path

    start = "from knurlsight.cli import main; main()"
    with tempfile.TemporaryDirectory() as folder:
        sheet = str(Path(folder) / "sheet.pdf")
        empty = seconds(["-c", "pass"])
        print(f"{'python -c pass':20s} {empty:6.3f} s")
        for name, words in {
            "plan": PLAN,
            "plan --json -": [*PLAN, "--json", "-"],
            "plan --sheet": [*PLAN, "--sheet", sheet],
            "plan --simulate": [*PLAN, "--simulate"],
        }.items():
            took = seconds(["-c", start, *words])
            print(f"{name:20s} {took:6.3f} s  {took / empty:5.1f} x")


if __name__ == "__main__":
    main()
