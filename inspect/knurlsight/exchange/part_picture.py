"""Pictures for reports, from what a record keeps: the annotated picture made smaller, a part cut from its photo."""

from __future__ import annotations

from io import BytesIO
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from knurlsight.errors import ExchangeError

if TYPE_CHECKING:
    from knurlsight.result import PartRecord

LONGEST_PX = 1400
JPEG_QUALITY = 85


def smaller(picture: bytes, source: str, longest_px: int = LONGEST_PX) -> bytes:
    """A picture as JPEG, at most `longest_px` on its longer side and without any of its metadata.

    Raises
    ------
    ExchangeError
        It cannot be read.
    """
    from PIL import Image

    try:
        with Image.open(BytesIO(picture)) as opened:
            shown = opened.convert("RGB")
    except Exception as e:  # Pillow's plug-ins raise whatever their parsers trip over
        raise ExchangeError(f"{source}: the picture cannot be read ({e})") from None
    shown.thumbnail((longest_px, longest_px), Image.Resampling.LANCZOS)
    return _jpeg(shown)


def part_close_up(photo: bytes, part: PartRecord, name: str, longest_px: int = 900) -> bytes:
    """The knurled zone of a part, cut from its photo with the zone's border drawn in, as JPEG.

    Parameters
    ----------
    photo : bytes
        The photo that was measured; the corners in the result are pixels of it, upright.
    part : PartRecord
    name : str
        File name, for messages.

    Raises
    ------
    PhotoError
        The photo cannot be read.
    """
    from photoscale.photo import Photo, colour
    from PIL import Image, ImageDraw

    from knurlsight.reporting.annotate import INK, YELLOW

    # only the bytes are looked at
    upright = colour(Photo(name, np.zeros((1, 1), np.uint8), "", 1, 1, encoded=photo))
    corners = np.asarray(part.zone_px, np.float64)
    margin = 0.08 * float(np.ptp(corners, axis=0).max()) + 4.0
    height, width = upright.shape[:2]
    low = np.clip(np.floor(corners.min(axis=0) - margin), 0, [width - 2, height - 2]).astype(int)
    high = np.clip(np.ceil(corners.max(axis=0) + margin), low + 2, [width, height]).astype(int)
    crop: NDArray[np.uint8] = upright[low[1] : high[1], low[0] : high[0], ::-1]
    image = Image.fromarray(np.ascontiguousarray(crop))
    k = min(3.0, longest_px / max(image.size))
    image = image.resize((max(1, round(image.width * k)), max(1, round(image.height * k))), Image.Resampling.LANCZOS)
    border = [((x - low[0] + 0.5) * k - 0.5, (y - low[1] + 0.5) * k - 0.5) for x, y in [*corners, corners[0]]]
    pen = ImageDraw.Draw(image)
    thick = max(2, round(max(image.size) / 350))
    pen.line(border, fill=INK, width=thick + 2, joint="curve")
    pen.line(border, fill=YELLOW, width=thick, joint="curve")
    return _jpeg(image)


def _jpeg(image: object) -> bytes:
    from PIL import Image

    out = BytesIO()
    if isinstance(image, Image.Image):
        Image.frombytes(image.mode, image.size, image.tobytes()).save(out, "JPEG", quality=JPEG_QUALITY)
    return out.getvalue()
