"""How long one photo takes from file to verdict, and how much memory, against decoding the same file in grey.

    python tests/bench/photo_to_verdict.py [PHOTO] [--scale SPEC]

Times are processor seconds (those of child processes included), so that other work on the machine counts little: the
shortest of a few runs, each from the file on (decoding included), and their ratio to what is named, with what is asked
for in brackets. A truth file beside the photo gives the setup that it is judged by; without one nothing is judged.
"""

from __future__ import annotations

import argparse
import json
import os
import resource
import subprocess
import sys
import tempfile
from collections.abc import Callable
from pathlib import Path

SHARED = Path(__file__).resolve().parents[2].parent / "shared" / "photos" / "rendered"
DEFAULT = SHARED / "d13_rge_chipped_tooth_12mp.jpg"
COMMAND = "from knurlsight.cli import main; main()"

INSPECT = """
import json, resource, sys
from pathlib import Path
names = json.loads(sys.argv[4])
for name in names:
    try:
        __import__(name)
    except ImportError:  # names that a package only keeps for old callers
        pass
from photoscale.photo import load_photo
from photoscale.words import parse_scale
from knurlsight.inspection import ScaleRequest, inspect_part
from knurlsight.setup_math.setup import read_setup
before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
photo = load_photo(Path(sys.argv[1]))
scale = parse_scale(sys.argv[2]) if sys.argv[2] else None
inspect_part([photo], read_setup(sys.argv[3]) if sys.argv[3] else None, ScaleRequest(scale))
after = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
print(json.dumps({"before": before, "after": after, "pixels": photo.grey.size, "modules": sorted(sys.modules)}))
"""


def processor_seconds() -> float:
    """Used so far by this process and by the children that it has waited for."""
    used = [resource.getrusage(of) for of in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN)]
    return sum(u.ru_utime + u.ru_stime for u in used)


def shortest(run: Callable[[], object], runs: int) -> float:
    """Processor seconds of the shortest of a few runs."""
    best = float("inf")
    for _ in range(runs):
        begin = processor_seconds()
        run()
        best = min(best, processor_seconds() - begin)
    return best


def process(words: list[str]) -> None:
    """Run a Python process; 0, 1 and 3 are the statuses of pass, fail and cannot tell."""
    done = subprocess.run([sys.executable, *words], capture_output=True, text=True)
    if done.returncode not in (0, 1, 3):
        raise SystemExit(f"{' '.join(words)}: status {done.returncode}\n{done.stderr}")


def setup_text(photo: Path) -> str:
    """The setup of the truth file beside a photo; empty without one."""
    truth = photo.with_suffix(".json")
    if not truth.is_file():
        return ""
    asked = json.loads(truth.read_text())["parts"][0]["setup"]
    return (
        f'[part]\noutside_diameter = "{asked["od_mm"]} mm"\n[pattern]\nform = "{asked["form"]}"\n'
        f'normal_pitch = "{asked["wheel_pitch_mm"]} mm"\nhelix = "{asked["helix_deg"]} deg"\n'
    )


def bytes_per_pixel(photo: Path, scale: str, setup: str) -> float:
    """Peak memory of an inspection over that of its imports, per pixel of the photo.

    The first process only tells which modules an inspection loads in the end; the second loads them beforehand.
    """

    def run(modules: list[str]) -> dict[str, int]:
        words = [sys.executable, "-W", "ignore", "-c", INSPECT, str(photo), scale, setup, json.dumps(modules)]
        done = subprocess.run(words, capture_output=True, text=True, check=True)
        return json.loads(done.stdout.splitlines()[-1])

    modules = [m for m in run([])["modules"] if m.split(".")[0] in ("cv2", "scipy", "skimage", "GTC", "knurlsight")]
    second = run(modules)
    return 1024 * (second["after"] - second["before"]) / second["pixels"]


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("photo", type=Path, nargs="?", default=DEFAULT)
    parser.add_argument("--scale", default="", help="as for knurlsight inspect; default: what is found in the photo")
    parser.add_argument("--runs", type=int, default=3)
    args = parser.parse_args()
    if not args.photo.is_file():
        print(f"skipped: {args.photo} is not there; give the path of a photo")
        return 0
    with tempfile.TemporaryDirectory() as folder:
        setup = ""
        if text := setup_text(args.photo):
            setup = str(Path(folder) / "setup.toml")
            Path(setup).write_text(text)
        # first of all: a child process counts what its parent held when it was started
        memory = bytes_per_pixel(args.photo, args.scale, setup)
        report(args.photo, args.scale, setup, Path(folder), args.runs, memory)
    return 0


def report(path: Path, scale: str, setup: str, folder: Path, runs: int, memory: float) -> None:
    """Measure and print."""
    import cv2
    from knurlsight.finding.outline import find_parts
    from knurlsight.inspection import ScaleRequest, inspect_part
    from knurlsight.measuring.spectrum import peaks_of, power_of
    from knurlsight.measuring.unroll import unroll
    from knurlsight.setup_math.setup import read_setup
    from photoscale.photo import camera_from_exif, load_photo
    from photoscale.words import parse_scale

    request = ScaleRequest(parse_scale(scale) if scale else None)

    def outlines():
        photo = load_photo(path)
        return photo, find_parts(photo, camera_from_exif(photo), most=1)

    def first_figures():
        photo, found = outlines()
        if not found:
            return ()
        surface = unroll(photo.grey, found[0].camera, found[0].cylinder, found[0].zone_z, 46.0, 420, 640)
        return peaks_of(surface, power_of(surface.brightness))

    def verdict():
        return inspect_part([load_photo(path)], read_setup(setup) if setup else None, request)

    grey = shortest(lambda: cv2.imread(str(path), cv2.IMREAD_GRAYSCALE), 7)
    inspection = verdict()  # and warm
    photo = inspection.photos[0]
    print(f"{path.name}: {photo.width_px} x {photo.height_px} px, {os.cpu_count()} cores, OpenCV {cv2.__version__}")
    print(f"verdict: {inspection.verdict}; spectral peaks: {len(first_figures())}\n")
    print(f"{'cv2.imread, grey':44s} {grey:7.3f} s    1.0 x")

    def row(name: str, seconds: float, unit: float, asked: str = "") -> None:
        print(f"{name:44s} {seconds:7.3f} s {seconds / unit:6.1f} x  {asked}")

    row("overview and outline (find_parts)", shortest(outlines, runs), grey)
    row("first figures (spectrum)", shortest(first_figures, runs), grey, "(3 x)")
    row("full verdict (inspect_part)", shortest(verdict, runs), grey, "(16 x)")
    options = [*(["--scale", scale] if scale else []), *(["--setup", setup] if setup else [])]
    written = ["--json", str(folder / "result.json"), "--picture", str(folder / "picture.png")]
    words = ["-c", COMMAND, "inspect", str(path), *options, *written]

    def whole() -> None:
        for file in (folder / "result.json", folder / "picture.png"):
            file.unlink(missing_ok=True)
        process(words)

    row("whole process, with --json and --picture", shortest(whole, runs), grey, "(1.5 s on an idle core)")
    print()
    empty = shortest(lambda: process(["-c", "pass"]), 7)
    print(f"{'python -c pass':44s} {empty:7.3f} s    1.0 x")
    row("knurlsight --help", shortest(lambda: process(["-c", COMMAND, "--help"]), 7), empty, "(8 x)")
    row("knurlsight inspect --help", shortest(lambda: process(["-c", COMMAND, "inspect", "--help"]), 7), empty)
    print(f"\npeak memory over imports: {memory:.1f} bytes per pixel of the photo")


if __name__ == "__main__":
    raise SystemExit(main())
