"""Same as this one: the photo of a sample, measured, stands for the setup.

What was wanted is then itself uncertain. The checks are therefore made with the uncertainties of both, and what differs
is listed with the word whether it is more than both together allow.
"""

from __future__ import annotations

import math
import statistics
from collections.abc import Sequence
from dataclasses import dataclass, replace

from photoscale.photo import Photo
from photoscale.quantity import Quantity

from knurlsight.inspection import Inspection, PartInspection, ScaleRequest, assemble, inspect_part, judge_part
from knurlsight.model import Family, Pattern
from knurlsight.setup_math.expected import expectation
from knurlsight.setup_math.forms import FORMS
from knurlsight.setup_math.setup import setup_from_text
from knurlsight.setup_math.setup_model import Setup

COVERAGE = 2.0


@dataclass(frozen=True)
class Difference:
    """One figure of part and sample: their difference, and whether it is larger than both uncertainties."""

    name: str
    difference: Quantity
    larger: bool

    @property
    def words(self) -> str:
        unit = "°" if self.difference.unit == "deg" else f" {self.difference.unit}" if self.difference.unit else ""
        shown = f"{self.difference.value:+.3g} ± {COVERAGE * self.difference.u:.2g}{unit}"
        return f"{self.name}: {shown} against the sample, {'different' if self.larger else 'no difference to be seen'}"


def inspect_like(
    photos: Sequence[Photo], sample: Photo, scale: ScaleRequest | None = None, sample_scale: ScaleRequest | None = None
) -> Inspection:
    """Inspect one part against the photo of a sample.

    Parameters
    ----------
    photos : sequence of Photo
        One of the part, or repeats.
    sample : Photo
    scale : ScaleRequest, optional
    sample_scale : ScaleRequest, optional
        The sample's own; default as `scale`.

    Raises
    ------
    PhotoscaleError
        A scale photo is not by the same camera as its photo.
    """
    found = inspect_part(photos, None, scale)
    model = inspect_part([sample], None, sample_scale or scale)
    part, pattern = (found.parts[0], model.parts[0].pattern) if found.parts and model.parts else (None, None)
    setup = setup_of(pattern) if pattern is not None else None
    if part is None or part.pattern.form is None:
        return replace(found, verdict="cannot_tell")
    if pattern is None or setup is None:
        why = "; ".join((pattern.cannot if pattern is not None else model.reasons) or ("it has no scale",))
        reason = f"the sample {sample.name} could not be measured: {why}"
        return replace(
            found,
            parts=(replace(part, verdict="cannot_tell", reasons=(reason,)),),
            verdict="cannot_tell",
            reasons=(reason,),
        )
    basis = expectation(setup)
    doubtful = with_doubt_of(part.pattern, pattern)
    # a sample may well be of another size
    any_size = replace(basis, pattern=basis.pattern.model_copy(update={"outside_diameter_mm": None}))
    judged = judge_part(part.id, doubtful, part.scale, part.no_lengths, setup, any_size)
    shown = PartInspection(
        part.id,
        part.pattern,
        part.scale,
        part.no_lengths,
        judged.checks,
        judged.causes,
        verdict=judged.verdict,
        reasons=judged.reasons,
    )
    notes = [
        *found.notes,
        f"wanted is what the sample {sample.name} shows; the checks carry the uncertainty of both",
        *(d.words for d in differences(part.pattern, pattern)),
    ]
    return assemble(photos, (shown,), setup, basis, notes, found.scale_px)


def setup_of(sample: Pattern) -> Setup | None:
    """The sample's figures as a setup; None when its pattern or its lengths are not known."""
    families = [f for f in sample.families if f.normal_pitch is not None and f.hand != "ring"]
    if sample.form is None or not families:
        return None
    pitch = statistics.fmean(f.normal_pitch.value for f in families if f.normal_pitch is not None)
    lines = ["[part]", 'name = "as the sample"']
    if sample.outside_diameter is not None:
        lines.append(f'outside_diameter = "{sample.outside_diameter.value:.4f} mm"')
    lines += ["[pattern]", f'form = "{sample.form}"', f'normal_pitch = "{pitch:.5f} mm"']
    if families[0].hand in ("left", "right"):
        lines.append(f'helix = "{statistics.fmean(f.helix_angle.value for f in families):.3f} deg"')
    whole = {f.teeth_whole for f in families}
    if len(whole) == 1 and None not in whole:
        lines.append(f"teeth = {whole.pop()}")
    return setup_from_text("\n".join(lines) + "\n", "sample")


def differences(part: Pattern, sample: Pattern) -> tuple[Difference, ...]:
    """Part less sample, figure by figure; uncertainties added in squares, as the photos are two."""
    out = []
    if part.form != sample.form and part.form is not None and sample.form is not None:
        name = f"form {FORMS[part.form].words} instead of {FORMS[sample.form].words}"
        out.append(Difference(name, Quantity(1.0, 0.0), True))
    pairs: list[tuple[str, Quantity | None, Quantity | None]] = [
        ("outside diameter", part.outside_diameter, sample.outside_diameter),
        ("form fill", part.form_fill, sample.form_fill),
        ("balance", part.balance, sample.balance),
        ("knurled length", part.knurled_length, sample.knurled_length),
    ]
    for mine in part.families:
        other = _same(mine, sample)
        if other is not None:
            pairs += [
                (f"normal pitch, {mine.hand}", mine.normal_pitch, other.normal_pitch),
                (f"helix, {mine.hand}", mine.helix_angle, other.helix_angle),
                (f"teeth, {mine.hand}", mine.teeth, other.teeth),
            ]
    for name, a, b in pairs:
        if a is not None and b is not None:
            u = math.hypot(a.u, b.u)
            out.append(Difference(name, Quantity(a.value - b.value, u, a.unit), abs(a.value - b.value) > COVERAGE * u))
    return tuple(out)


def with_doubt_of(part: Pattern, sample: Pattern) -> Pattern:
    """The part's pattern with the sample's uncertainty added to the figures that are held against it."""

    def both(a: Quantity | None, b: Quantity | None) -> Quantity | None:
        return a if a is None or b is None else Quantity(a.value, math.hypot(a.u, b.u), a.unit)

    families = []
    for mine in part.families:
        other = _same(mine, sample)
        if other is not None:
            helix = both(mine.helix_angle, other.helix_angle) or mine.helix_angle
            mine = replace(mine, normal_pitch=both(mine.normal_pitch, other.normal_pitch), helix_angle=helix)
        families.append(mine)
    return replace(
        part,
        families=tuple(families),
        included_angle=both(part.included_angle, sample.included_angle),
    )


def _same(family: Family, pattern: Pattern) -> Family | None:
    return next((f for f in pattern.families if f.hand == family.hand), None)
