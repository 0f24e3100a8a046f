"""By which step a part was turned from photo to photo, as typed."""

from __future__ import annotations

from knurlsight.errors import UnitError
from knurlsight.joining.closure import Step
from knurlsight.joining.turns import U_STEP_DEG
from knurlsight.units import parse_signed_angle


def turn_step(words: str, photos: int) -> Step | None:
    """The step as typed, ``60deg`` or ``60+-0.1deg``; None for ``auto``."""
    if photos < 2:
        raise UnitError("--turn needs several photos of the part, each turned by one step more; one was named")
    if words.strip().lower() == "auto":
        return None
    size, *rest = words.replace("±", "+-").split("+-")
    if len(rest) > 1:
        raise UnitError(f"--turn {words!r} is not an angle with its ±", hint="--turn 60+-0.1deg")
    deg = abs(parse_signed_angle(size))
    u_deg = abs(parse_signed_angle(rest[0])) if rest else U_STEP_DEG
    if not 1 <= deg <= 180 or u_deg > deg / 4:
        raise UnitError(
            f"--turn {words!r}: a step is 1 to 180 degrees, its uncertainty at most a quarter of it",
            hint="--turn 60deg",
        )
    return Step(deg, u_deg)
