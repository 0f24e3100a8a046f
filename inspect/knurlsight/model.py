"""The records that flow from a photo to a verdict: what was found and measured, before it is judged.

Lengths are mm, angles degrees, unless a name says otherwise. ``None`` stands for a figure that could not be measured;
the reason is then in the notes. Surface coordinates (θ, z) are those of `photoscale.cylinder`.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray
from photoscale.camera import Camera
from photoscale.cylinder import Cylinder
from photoscale.quantity import Quantity

from knurlsight.setup_math.forms import Form, Hand

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Outline:
    """Where a part and its knurled zone stand in the photo.

    Attributes
    ----------
    camera : Camera
        The camera that the pose was solved with.
    cylinder : Cylinder
        Crest cylinder in units of its radius; its axis runs from end 1 to end 2.
    edges_px : (2, 2, 2) array
        Silhouette of the crest envelope along the zone: [upper or left edge, other edge][end 1, end 2][x, y].
    u_edge_px : float
        Standard uncertainty of each edge's offset, common to its length.
    zone_z : (float, float)
        First and last trace of pattern along the axis, in radii.
    profile_zr : (k, 2) array
        Half silhouette of the whole part, (z, r) in radii: what it rests on.
    part_px : (m, 2) array
        Outline polygon of the part as far as its edges were seen: one side, end 1 to end 2, then the other back.
    cut : (bool, bool)
        Whether the zone runs out of the frame at end 1 / end 2.
    u_turn_rad : float
        Standard uncertainty of the axis's direction in the photo.
    notes : tuple of str
    """

    camera: Camera
    cylinder: Cylinder
    edges_px: Array
    u_edge_px: float
    zone_z: tuple[float, float]
    profile_zr: Array
    part_px: Array
    cut: tuple[bool, bool] = (False, False)
    u_turn_rad: float = 0.0
    notes: tuple[str, ...] = ()


@dataclass(frozen=True)
class DoubleTrack:
    """A second set of lines between the lines of one family (design words: ghost ratio, offset, extent).

    `log_odds` is what one photo says for it, before it is judged; None where nothing could be read.
    """

    present: bool | None
    ghost_ratio: Quantity | None
    offset_fraction: Quantity | None = None
    extent: Quantity | None = None
    words: str = ""
    log_odds: float | None = None


@dataclass(frozen=True)
class Family:
    """One set of parallel ridges.

    `phase_turns` fixes where the lines are, for drawing them: groove centre lines are
    teeth_fit θ/2π + sign z/axial_pitch_radii + phase_turns = whole, with θ in rad, z in radii;
    `axial_pitch_radii` is infinite for axial lines and `teeth_fit` 0 for rings.
    """

    hand: Hand
    normal_pitch: Quantity | None
    transverse_pitch: Quantity | None
    axial_pitch: Quantity | None
    helix_angle: Quantity
    teeth: Quantity | None
    teeth_whole: int | None
    fill: Quantity | None
    strength: Quantity | None
    double_track: DoubleTrack
    teeth_fit: float = 0.0
    axial_pitch_radii: float = float("inf")
    sign: int = 0
    phase_turns: float = 0.0


@dataclass(frozen=True)
class End:
    """One end of the zone: its place in the photo, the run-in and where full form begins (mm from the end)."""

    px: tuple[float, float]
    fade: Quantity | None = None
    full_form_from: Quantity | None = None


@dataclass(frozen=True)
class Fault:
    """Something wrong at a place. `kind` is a key of the table of causes, `spacing` how far on it repeats."""

    kind: str
    words: str
    where_px: Array = field(default_factory=lambda: np.empty((0, 2)))
    from_mm: float | None = None
    to_mm: float | None = None
    extent: float | None = None
    severity: Quantity | None = None
    spacing: Quantity | None = None


@dataclass(frozen=True)
class Spectrum:
    """Power spectrum of the unrolled zone, for the report: `power` (h, w), axes in cycles per radius."""

    power: NDArray[np.float32]
    cycles_per_radius_around: Array
    cycles_per_radius_along: Array


@dataclass(frozen=True)
class Surface:
    """The unrolled zone: `brightness` (rows around, columns along), θ of the rows (rad), z of the columns (radii)."""

    brightness: NDArray[np.float32]
    theta: Array
    z: Array
    valid: NDArray[np.bool_]


@dataclass(frozen=True)
class LocalMaps:
    """What a patch of the zone shows, cell by cell; every map is (rows, columns) over the grid `theta` x `z`.

    Attributes
    ----------
    theta : (rows,) array
        Angle round the axis at the crest (rad), 0 nearest the camera.
    z : (columns,) array
        Height along the axis in radii, as the cylinder counts it.
    shifts : tuple of arrays
        Per family of the fit: how far its lines lie on from the fitted ones, in turns.
    lines : tuple of (float, float)
        Per family: turns per rad around and per radius along, as fitted.
    gain : array
        Share of the model's contrast that is there, about 1.
    residual : array
        Share of the local contrast that the pattern does not explain, 0 to 1.
    rough : array
        The same in a narrow window: where exactly, at the price of more noise.
    contrast : array
        Local spread of the root of brightness, as the photo shows it before light and contrast are evened out.
    weight : array
        Share of the window that lies in the patch, 0 to 1.
    pitch : float
        Normal pitch in radii.
    """

    theta: Array
    z: Array
    shifts: tuple[Array, ...]
    lines: tuple[tuple[float, float], ...]
    gain: Array
    residual: Array
    rough: Array
    contrast: Array
    weight: Array
    pitch: float


@dataclass(frozen=True)
class MeanGroove:
    """Mean brightness across the grooves of one family near the camera, over one pitch from a groove's middle on."""

    hand: Hand
    brightness: Array


@dataclass(frozen=True)
class Pattern:
    """What was measured on one part.

    `pitch_drift` to `open_seam` are named as the limits in [tolerance] that they are held against. `agreement` says
    what the Hough reading thinks of the Fourier one, `lines_contradicted` whether it sees other lines. When nothing
    could be measured `form` is None, `families` is empty and `cannot` gives the reasons with how to shoot again.
    """

    outline: Outline
    form: Form | None
    families: tuple[Family, ...]
    outside_diameter: Quantity | None
    included_angle: Quantity | None
    balance: Quantity | None
    form_fill: Quantity | None
    knurled_length: Quantity | None
    full_form_length: Quantity | None
    ends: tuple[End, End] | None
    seen_arc_deg: Quantity | None
    px_per_pitch: float | None
    agreement: str
    lines_contradicted: bool = False
    faults: tuple[Fault, ...] = ()
    surface: Surface | None = None
    spectrum: Spectrum | None = None
    maps: LocalMaps | None = None
    grooves: tuple[MeanGroove, ...] = ()
    pitch_drift: Quantity | None = None
    damage_area: Quantity | None = None
    depth_variation: Quantity | None = None
    wheel_mark: Quantity | None = None
    open_seam: Quantity | None = None
    cannot: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()


def unmeasured(
    outline: Outline, *reasons: str, surface: Surface | None = None, spectrum: Spectrum | None = None
) -> Pattern:
    """A part whose pattern could not be measured, with the reasons and how to shoot again."""
    return Pattern(
        outline=outline,
        form=None,
        families=(),
        outside_diameter=None,
        included_angle=None,
        balance=None,
        form_fill=None,
        knurled_length=None,
        full_form_length=None,
        ends=None,
        seen_arc_deg=None,
        px_per_pitch=None,
        agreement="",
        surface=surface,
        spectrum=spectrum,
        cannot=reasons,
    )
