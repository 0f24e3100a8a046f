"""A small copy of a kept picture for lists, made in a process of its own: pictures are never decoded in the server."""

from __future__ import annotations

import os
import subprocess
import sys
import threading
from pathlib import Path

from knurlsight.bench.submissions import MOST_PIXELS

SIDE_PX = 200
SECONDS = 30.0
MEMORY_BYTES = 2_000_000_000
_one_at_a_time = threading.Lock()


def make_small_copy(picture: Path, target: Path) -> bool:
    """Write it; False where the file is no picture that can be shown. Blocks."""
    with _one_at_a_time:
        if target.is_file():
            return True
        command = [sys.executable, "-m", "knurlsight.bench.small_copy", str(picture), str(target)]
        try:
            return subprocess.run(command, capture_output=True, timeout=SECONDS, check=False).returncode == 0
        except subprocess.TimeoutExpired:
            return False


def _write(picture: Path, target: Path) -> None:
    from PIL import Image, ImageOps

    if sys.platform != "win32":
        import resource

        resource.setrlimit(resource.RLIMIT_AS, (MEMORY_BYTES, resource.getrlimit(resource.RLIMIT_AS)[1]))
    with Image.open(picture) as opened:
        if opened.width * opened.height > MOST_PIXELS:
            raise SystemExit(1)
        opened.draft("RGB", (2 * SIDE_PX, 2 * SIDE_PX))
        small = ImageOps.exif_transpose(opened).convert("RGB")
    small.thumbnail((SIDE_PX, SIDE_PX))
    part = target.with_name(f"{target.name}.{os.getpid()}.part")
    small.save(part, "JPEG", quality=70)
    part.replace(target)


if __name__ == "__main__":
    _write(Path(sys.argv[1]), Path(sys.argv[2]))
