"""``knurlsight plan``: from what is wanted to the blank, the depth, the expected pattern and the setup file."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from knurlsight.commands.job_options import StoreOption

if TYPE_CHECKING:
    from knurlsight.planning.plan import Plan, PlanRequest, WheelWanted
    from knurlsight.setup_math.setup_model import WheelSetup
    from knurlsight.setup_math.setup_values import Range
    from knurlsight.units import LengthUnit

LENGTH = "LENGTH"


def register(app: typer.Typer) -> None:
    """Add the command to an app."""

    @app.command()
    def plan(
        form: Annotated[
            str | None,
            typer.Option(metavar="CODE", help="DIN 82 form: RAA RBL RBR RGE RGV RKE RKV."),
        ] = None,
        pitch: Annotated[
            str | None, typer.Option(metavar="PITCH", help="Wheel's label: 0.8mm, 21tpi, m0.3 (module), dp96.")
        ] = None,
        outside_diameter: Annotated[
            str | None, typer.Option(metavar=LENGTH, help="Finished diameter wanted, over the crests.")
        ] = None,
        outside_limits: Annotated[
            str | None, typer.Option(metavar="RANGE", help='Its limits: "19.9..20.1mm", "20+-0.1mm", ">=19.9mm".')
        ] = None,
        blank_diameter: Annotated[
            str | None, typer.Option(metavar=LENGTH, help="A blank that is already turned.")
        ] = None,
        bar: Annotated[
            str | None, typer.Option(metavar=LENGTH, help="A bar to turn the blank from: what can I get?")
        ] = None,
        helix: Annotated[
            str | None, typer.Option(metavar="ANGLE", help="Of the wheel's teeth; 30deg for slanting forms.")
        ] = None,
        swivel: Annotated[
            str | None, typer.Option(metavar="ANGLE", help="Straight wheels swivelled in the holder by this much.")
        ] = None,
        pitch_along: Annotated[
            str | None,
            typer.Option(metavar="normal|transverse", help="What the label counts, if not the custom of its system."),
        ] = None,
        wheel_diameter: Annotated[
            str | None, typer.Option(metavar=LENGTH, help="Measured; with --wheel-teeth it beats the label.")
        ] = None,
        wheel_teeth: Annotated[int | None, typer.Option(metavar="N", help="Teeth of the wheel, counted.")] = None,
        wheel_width: Annotated[str | None, typer.Option(metavar=LENGTH)] = None,
        tooth_angle: Annotated[
            str | None, typer.Option(metavar="ANGLE", help="Of the wheel's teeth: 90deg (default), 105, 80, 70.")
        ] = None,
        second_pitch: Annotated[
            str | None, typer.Option(metavar="PITCH", help="Second wheel of a diamond, where it is not like the first.")
        ] = None,
        second_helix: Annotated[str | None, typer.Option(metavar="ANGLE")] = None,
        second_diameter: Annotated[str | None, typer.Option(metavar=LENGTH)] = None,
        second_teeth: Annotated[int | None, typer.Option(metavar="N")] = None,
        wheels: Annotated[
            Path | None,
            typer.Option(metavar="FILE", help="Take the wheels from the [[wheel]] tables of this file."),
        ] = None,
        fill: Annotated[float, typer.Option(help="Form fill, 1 = sharp crests.")] = 0.9,
        bite: Annotated[
            str | None, typer.Option(metavar=LENGTH, help="First bite on the radius; 0.05mm when not given.")
        ] = None,
        holder: Annotated[
            str | None,
            typer.Option(metavar="KIND", help="one wheel, two wheels fixed, two wheels pivoting or straddle."),
        ] = None,
        method: Annotated[str | None, typer.Option(metavar="axial|plunge", help="How the wheel is fed.")] = None,
        knurl_length: Annotated[str | None, typer.Option(metavar=LENGTH)] = None,
        material: Annotated[str | None, typer.Option(metavar="NAME", help="Such as brass, steel, stainless.")] = None,
        machine: Annotated[
            str | None,
            typer.Option(metavar="NAME", help="As in the records: what its dial must read, learnt from its parts."),
        ] = None,
        name: Annotated[str | None, typer.Option(metavar="TEXT", help="Name of the part.")] = None,
        unit: Annotated[
            str | None, typer.Option(metavar="mm|in", help="Of the output; inch when the diameter is given in inch.")
        ] = None,
        json_out: Annotated[
            Path | None, typer.Option("--json", metavar="OUT", help="Write the plan as JSON; - is standard output.")
        ] = None,
        setup_out: Annotated[
            Path | None, typer.Option("--setup-out", metavar="OUT.toml", help="Write the setup to inspect with.")
        ] = None,
        sheet: Annotated[
            Path | None, typer.Option(metavar="OUT", help="Write the sheet for the lathe: .pdf or .html.")
        ] = None,
        picture: Annotated[
            Path | None, typer.Option(metavar="OUT", help="Write the tracking picture: .svg or .png.")
        ] = None,
        simulate: Annotated[
            bool, typer.Option("--simulate", help="Roll it in the model: ghost ratio by blank and first bite.")
        ] = False,
        explain: Annotated[
            bool, typer.Option("--explain", help="Show each formula with its numbers and source.")
        ] = False,
        from_result: Annotated[
            Path | None,
            typer.Option(
                metavar="RESULT.json", help="Work backwards: which wheel and blank explain this measured part?"
            ),
        ] = None,
        store: StoreOption = None,
    ) -> None:
        """Plan a knurl: blank diameter, depth, how to run it, and the pattern to expect."""
        if from_result is not None:
            typer.echo(backwards_text(from_result, _bite_mm(bite), _unit(unit, None)), nl=False)
            return
        shown = _unit(unit, outside_diameter or blank_diameter or bar)
        request = request_from_words(
            form=form,
            pitch=pitch,
            outside_diameter=outside_diameter,
            outside_limits=outside_limits,
            blank_diameter=blank_diameter,
            bar=bar,
            helix=helix,
            swivel=swivel,
            pitch_along=pitch_along,
            wheel_diameter=wheel_diameter,
            wheel_teeth=wheel_teeth,
            wheel_width=wheel_width,
            tooth_angle=tooth_angle,
            second_pitch=second_pitch,
            second_helix=second_helix,
            second_diameter=second_diameter,
            second_teeth=second_teeth,
            wheels=wheels,
            fill=fill,
            bite=bite,
            holder=holder,
            method=method,
            knurl_length=knurl_length,
            material=material,
            name=name,
        )
        from knurlsight.errors import PlanError
        from knurlsight.output import check_writable, write_bytes, write_text
        from knurlsight.planning.plan import make_plan

        outputs = [path for path in (json_out, setup_out, sheet, picture) if path is not None]
        for path in outputs:
            check_writable(path)
        made = make_plan(request, shown)
        if machine is not None:
            made = with_dial(made, machine, material, store)
        elif store is not None:
            raise PlanError("--store is for --machine, which is missing", hint='--machine "small lathe"')
        files = plan_files(made, shown, setup_out, sheet, picture)
        for path, data in files:
            write_bytes(path, data)
        if json_out is not None:
            import json

            from knurlsight.planning.text import plan_json

            content = plan_json(made)
            if simulate:
                content["simulation"] = simulation_rows(made)
            write_text(json_out, json.dumps(content, ensure_ascii=False, indent=2) + "\n")
        if not any(str(path) == "-" for path in outputs):
            typer.echo(screen_text(made, shown, simulate, explain), nl=False)
            for path in outputs:
                typer.echo(f"written: {path}", err=True)


def with_dial(plan: Plan, machine: str, material: str | None, store: str | None) -> Plan:
    """The plan with what the dial of a machine must read for it, learnt from the machine's records.

    Raises
    ------
    PlanError
        No material is named, of which alone the records speak.
    StoreError

    Notes
    -----
    Records that are too few, or tell nothing about this depth, leave the plan without the figure; it says why.
    """
    from dataclasses import replace

    from knurlsight.commands.job_trend_command import of_machine
    from knurlsight.errors import ExchangeError, PlanError
    from knurlsight.exchange.spring import dial_for, dial_points
    from knurlsight.records.store import open_store

    if material is None:
        raise PlanError("--machine: the spring differs with the metal, and none is named", hint="--material brass")
    with open_store(store) as opened:
        points = dial_points(of_machine(opened, machine, material))
    try:
        return replace(plan, dial=dial_for(points, plan.penetration_mm))
    except ExchangeError as why:
        return replace(plan, dial_unknown="; give ".join(filter(None, (why.message, why.hint))))


def _unit(unit: str | None, diameter: str | None) -> LengthUnit:
    """mm or in, as asked, else as the diameter is spelled."""
    from knurlsight.errors import PlanError

    if unit is None:
        text = (diameter or "").strip().lower()
        return "in" if text.endswith(("in", "inch", '"', "″", "thou")) else "mm"
    word = unit.strip().lower()
    if word in ("in", "inch"):
        return "in"
    if word == "mm":
        return "mm"
    raise PlanError(f"--unit {unit!r} is not mm or in", hint="--unit in")


def _bite_mm(bite: str | None) -> float | None:
    return None if bite is None else _option("--bite", "length_or_zero", bite)


_READERS = {
    "length": "parse_length",
    "length_or_zero": "parse_length_or_zero",
    "angle": "parse_signed_angle",
    "pitch": "parse_pitch",
}


def _option(option: str, kind: str, value: Any) -> Any:
    """The value of an option in mm or degrees; a fault names the option."""
    from knurlsight import units
    from knurlsight.errors import PlanError, UnitError

    if value is None:
        return None
    try:
        return getattr(units, _READERS[kind])(value)
    except UnitError as error:
        raise PlanError(f"{option}: {error.message}", hint=f"{option} {(error.hint or '').split(', ')[0]}") from None


def _angle(option: str, value: str | None) -> float | None:
    from knurlsight.errors import PlanError

    angle: float | None = _option(option, "angle", value)
    if angle is not None and not 0 <= angle < 80:
        raise PlanError(
            f"{option}: {value!r} is not an angle from 0 to under 80 degrees to the axis", hint=f"{option} 30deg"
        )
    return angle


def request_from_words(**words: Any) -> PlanRequest:
    """A request from the words of the options; see the command for their meaning.

    Raises
    ------
    PlanError
        For a word that cannot be read or does not fit the others.
    """
    from knurlsight.errors import PlanError
    from knurlsight.planning.plan import PlanRequest, WheelWanted, wheels_for
    from knurlsight.setup_math.forms import FORMS

    form: Any = (words["form"] or "").strip().upper()
    if form not in FORMS:
        found = f"{words['form']!r} is not a form" if words["form"] else "no form is given"
        choice = ", ".join(f"{f.code} {f.words}" for f in FORMS.values())
        raise PlanError(f"--form: {found}; there are {choice}", hint="--form RGE")
    along = words["pitch_along"]
    if along not in (None, "normal", "transverse"):
        raise PlanError(f"--pitch-along: {along!r} is not normal or transverse", hint="--pitch-along normal")
    kinds = ("one wheel", "two wheels fixed", "two wheels pivoting", "straddle")
    holder = words["holder"].strip().lower() if words["holder"] else None
    if holder is not None and holder not in kinds:
        raise PlanError(
            f"--holder: {words['holder']!r} is none of {', '.join(kinds)}", hint="--holder 'two wheels fixed'"
        )
    if words["method"] not in (None, "axial", "plunge"):
        raise PlanError(f"--method: {words['method']!r} is not axial or plunge", hint="--method plunge")
    for option in ("wheel_teeth", "second_teeth"):
        count = words[option]
        if count is not None and count < 3:
            raise PlanError(f"--{option.replace('_', '-')}: {count} is not a number of teeth", hint="--wheel-teeth 68")
    od = _option("--outside-diameter", "length", words["outside_diameter"])
    limits = _limits(words["outside_limits"], od)
    swivel = _angle("--swivel", words["swivel"]) or 0.0
    if words["wheels"] is not None:
        first, second = wanted_from_file(words["wheels"])
    else:
        first = WheelWanted(
            pitch=_option("--pitch", "pitch", words["pitch"]),
            pitch_along=along,
            helix_deg=_angle("--helix", words["helix"]),
            teeth=words["wheel_teeth"],
            diameter_mm=_option("--wheel-diameter", "length", words["wheel_diameter"]),
            width_mm=_option("--wheel-width", "length", words["wheel_width"]),
            tooth_angle_deg=_tooth_angle(words["tooth_angle"]),
        )
        second = _second_wheel(words, first)
    return PlanRequest(
        form=form,
        wheels=wheels_for(form, first, second, swivel, holder == "one wheel"),
        outside_diameter_mm=od,
        outside_limits=limits,
        blank_diameter_mm=_option("--blank-diameter", "length", words["blank_diameter"]),
        bar_mm=_option("--bar", "length", words["bar"]),
        fill=words["fill"],
        bite_mm=_bite_mm(words["bite"]),
        swivel_deg=swivel,
        holder=holder,
        method=words["method"],
        knurl_length_mm=_option("--knurl-length", "length", words["knurl_length"]),
        material=words["material"],
        name=words["name"],
    )


def _limits(words: str | None, od_mm: float | None) -> Range | None:
    from knurlsight.errors import PlanError, UnitError
    from knurlsight.setup_math.setup_values import Deviations, Range, read_range

    if words is None:
        return None
    try:
        limits = read_range(words)
    except UnitError as error:
        raise PlanError(f"--outside-limits: {error.message}", hint="--outside-limits 19.9..20.1mm") from None
    if not isinstance(limits, Deviations):
        return limits
    if od_mm is None:
        raise PlanError(
            f"--outside-limits: {words!r} are deviations; state the diameter they belong to",
            hint="--outside-diameter 20mm",
        )
    return Range(od_mm + limits.lower_mm, od_mm + limits.upper_mm)


def _tooth_angle(value: str | None) -> float | None:
    from knurlsight.errors import PlanError

    angle: float | None = _option("--tooth-angle", "angle", value)
    if angle is not None and not 30 <= angle <= 150:
        raise PlanError(f"--tooth-angle: {value!r} is not between 30 and 150 degrees", hint="--tooth-angle 90deg")
    return angle


def _second_wheel(words: dict[str, Any], first: WheelWanted) -> WheelWanted | None:
    from dataclasses import replace

    keys = ("second_pitch", "second_helix", "second_diameter", "second_teeth")
    if all(words[key] is None for key in keys):
        return None
    own_pitch = words["second_pitch"] is not None or words["second_teeth"] is not None
    return replace(
        first,
        pitch=_option("--second-pitch", "pitch", words["second_pitch"]) if own_pitch else first.pitch,
        helix_deg=first.helix_deg if words["second_helix"] is None else _angle("--second-helix", words["second_helix"]),
        diameter_mm=_option("--second-diameter", "length", words["second_diameter"])
        if own_pitch or words["second_diameter"] is not None
        else first.diameter_mm,
        teeth=words["second_teeth"] if own_pitch else first.teeth,
    )


def wanted_from_file(path: Path) -> tuple[WheelWanted, WheelWanted | None]:
    """The wheels of a setup file, or of one that holds nothing but [[wheel]] tables."""
    from knurlsight.errors import PlanError
    from knurlsight.setup_math.setup import read_setup

    wheels = read_setup(path).wheels
    if not wheels:
        raise PlanError(
            f"{path}: has no [[wheel]] table", hint="knurlsight wheel PRINT.jpg --scale card --out wheel.toml"
        )
    found = [_wanted(w) for w in wheels]
    alike = len(found) == 2 and found[0] == found[1]
    return found[0], found[1] if len(found) == 2 and not alike else None


def _wanted(wheel: WheelSetup) -> WheelWanted:
    from knurlsight.planning.plan import WheelWanted

    return WheelWanted(
        pitch=wheel.pitch,
        pitch_along=wheel.pitch_along,
        helix_deg=wheel.helix_deg,
        teeth=wheel.teeth,
        diameter_mm=wheel.diameter_mm,
        width_mm=wheel.width_mm,
        tooth_angle_deg=wheel.tooth_angle_deg,
    )


def plan_files(
    plan: Plan, unit: LengthUnit, setup_out: Path | None, sheet: Path | None, picture: Path | None
) -> list[tuple[Path, bytes]]:
    """The contents of the files asked for.

    Raises
    ------
    PlanError
        For a name whose ending says nothing known.
    """
    from knurlsight.errors import PlanError

    files: list[tuple[Path, bytes]] = []
    if setup_out is not None:
        from knurlsight.planning.text import plan_setup_text

        files.append((setup_out, plan_setup_text(plan, unit).encode()))
    if sheet is not None:
        from knurlsight.planning.sheet import sheet_html, sheet_pdf

        ending = sheet.suffix.lower()
        if ending == ".pdf":
            files.append((sheet, sheet_pdf(plan, unit)))
        elif ending in (".html", ".htm"):
            files.append((sheet, sheet_html(plan, unit).encode()))
        else:
            raise PlanError(f"--sheet: {sheet} ends in neither .pdf nor .html", hint="--sheet sheet.pdf")
    if picture is not None:
        from knurlsight.planning.pictures import tracking_picture
        from knurlsight.reporting.drawing import to_png, to_svg

        drawing = tracking_picture(plan, unit)
        ending = picture.suffix.lower()
        if ending == ".svg":
            files.append((picture, to_svg(drawing).encode()))
        elif ending == ".png":
            files.append((picture, to_png(drawing)))
        else:
            raise PlanError(f"--picture: {picture} ends in neither .svg nor .png", hint="--picture tracking.svg")
    return files


def screen_text(plan: Plan, unit: LengthUnit, simulate: bool, explain: bool) -> str:
    """What the terminal shows."""
    from knurlsight.planning.text import explain_text, plan_text

    text = plan_text(plan, unit)
    if explain:
        text += "\nHow it was worked out (mm):\n" + explain_text(plan)
    if simulate:
        text += "\n" + simulation_text(plan, unit)
    return text


#: First bites that are simulated, as shares of the plan's: timid, as planned, firm.
BITE_SHARES = (0.2, 1.0, 3.0)


def simulation_rows(plan: Plan) -> list[dict[str, float]]:
    """Ghost ratio by blank diameter and first bite from the rolling model, over one step of blanks around the "
    "chosen."""
    from knurlsight.planning.plan import around
    from knurlsight.setup_math.rolling import predicted_ghost
    from knurlsight.setup_math.tracking import teeth_on_blank

    family = around(plan.families)[0]
    rows = []
    bite = max(plan.bite_mm, 0.02)
    for k in range(-5, 6):
        blank = plan.blank.blank_diameter_mm + k * plan.step_mm / 10.0
        for share in BITE_SHARES:
            first = min(bite * share, plan.penetration_mm)
            ghost = predicted_ghost(
                blank,
                family.normal_pitch_mm,
                family.helix_deg,
                first,
                plan.request.fill,
                family.profile_angle_deg,
                samples_per_pitch=20,
            )
            teeth = teeth_on_blank(blank, family.transverse_pitch_mm, first)
            rows.append({"blank_diameter_mm": blank, "bite_mm": first, "teeth_real": teeth, "ghost_ratio": ghost})
    return rows


def simulation_text(plan: Plan, unit: LengthUnit) -> str:
    """The same as a table."""
    from knurlsight.units import format_length

    rows = simulation_rows(plan)
    bites = [row["bite_mm"] for row in rows[: len(BITE_SHARES)]]
    lines = [
        "Rolled in the model (a model and no more: where it double tracks is believable, how deep the ghost is not).",
        "Ghost ratio by blank and first bite on the radius; over 0.10 shows as double tracking:",
        f"  {'blank':>12s}" + "".join(f"{'bite ' + format_length(b, unit):>22s}" for b in bites),
    ]
    for start in range(0, len(rows), len(bites)):
        line = rows[start : start + len(bites)]
        mark = "*" if start == len(rows) // 2 - len(bites) // 2 else " "
        cells = "".join(f"{row['teeth_real']:>10.2f} t {row['ghost_ratio']:>8.2f}  " for row in line)
        lines.append(f" {mark}{format_length(line[0]['blank_diameter_mm'], unit):>12s}{cells}")
    return "\n".join(line.rstrip() for line in lines) + "\n"


def backwards_text(result: Path, bite_mm: float | None, unit: LengthUnit, shown: int = 6) -> str:
    """Which wheels and blanks explain a measured part, the best first."""
    import json

    from knurlsight.errors import PlanError
    from knurlsight.planning.backwards import candidates, measured_from_result
    from knurlsight.setup_math.expected import DEFAULT_BITE_MM
    from knurlsight.units import format_length

    try:
        if not result.is_file() or result.stat().st_size > 100_000_000:
            raise PlanError(f"{result}: is not a result file", hint="inspect PHOTO --json result.json")
        content = json.loads(result.read_bytes())
    except (OSError, ValueError) as error:
        raise PlanError(
            f"{result}: cannot be read as JSON ({error})", hint="inspect PHOTO --json result.json"
        ) from None
    if not isinstance(content, dict):
        raise PlanError(f"{result}: holds no result", hint="inspect PHOTO --json result.json")
    knurl = measured_from_result(content)
    bite = DEFAULT_BITE_MM if bite_mm is None else bite_mm
    found = candidates(knurl, bite)
    lines = [
        f"{knurl.form} measured {format_length(knurl.outside_diameter_mm, unit)} over the crests, "
        f"{knurl.teeth:.2f} teeth; at a first bite of {format_length(bite, unit)} on the radius:",
        f"  {'wheel':32s} {'teeth':>5s} {'blank':>12s} {'fill':>6s} {'misfit':>7s}",
    ]
    for one in found[:shown]:
        fill = "none" if one.fill is None else f"{one.fill:.2f}"
        blank = format_length(one.blank_diameter_mm, unit)
        lines.append(f"  {one.wheel:32s} {one.teeth:5d} {blank:>12s} {fill:>6s} {one.misfit:7.1f}")
    good = [c.wheel for c in found if c.misfit < 2.0]
    names = list(dict.fromkeys(good))
    if not names:
        lines.append("No standard wheel explains it: the wheel is not a standard one, or a figure is wrong.")
    elif len(names) == 1:
        lines.append(f"Only {names[0]} explains it.")
    else:
        lines.append(f"{', '.join(names[:-1])} and {names[-1]} all explain it; measure the wheel to tell them apart.")
    lines.append("Misfit is in standard uncertainties, a label being taken as good to a per cent; under 2 explains it.")
    return "\n".join(lines) + "\n"
