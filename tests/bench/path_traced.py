"""Path-traced photos of the synthesiser's scenes, with the same truth files: light as it is in real grooves.

    python tests/bench/path_traced.py OUTDIR --count 40 --seed 1 [--preset mixed] [--samples 12] [--start 0]

Needs Blender as a module, which the project itself does not: `pip install bpy` (it asks for one version of Python). A
whole photo of 1600 x 1200 takes about a minute on two cores, a zone alone less. The synthesiser's fast light misses
contact shadows, light thrown from groove to groove and focus that falls off; here they are. Scene, height function and
truth are the same, so these are no independent witnesses of the geometry, only of the light.
"""

from __future__ import annotations

import argparse
import math
import sys
import tempfile
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import Any

import cv2
import numpy as np

try:
    import bpy
    from mathutils import Matrix, Vector
except ImportError:
    raise SystemExit("path_traced.py: Blender's module is missing; type: pip install bpy") from None

sys.path.insert(0, str(Path(__file__).resolve().parents[2] / "fixtures"))

from bench_picture import FlatPicture, bench, card_picture, rule_picture
from bench_scene import METALS, Card, Light, Metal, Part, Pin, Rule, Scene, Segment
from knurl_height import F32, F64, depth_below_crest, value_noise
from random_scenes import PRESET_NAMES, preset_scenes
from scene_truth import facing_theta, pin_body, scene_truth
from synthesiser import U8, develop, write_photo

MOST_BOUNCES = 4
VISIBLE_HALF_ANGLE = 1.75  # rad from the nearest line: as fine as pixels; the far side is coarser
FINEST_MM = 0.02  # of the surface
TURNING_MARKS_MM, MICRO_MM = 0.0008, 0.0022  # depth of what roughens turned and rolled metal
MOST_CIRCLE_PX = 3.5  # of confusion, 10 mm behind the crest
SKY_SIZE = (128, 256)  # rows of elevation, columns of azimuth
AROUND = 360  # points of a plain circle
DULL, SATIN = 0.8, 0.45  # roughness of bench and rule


def path_traced(scene: Scene, seed: int, samples: int) -> U8:
    """The photo before JPEG, as `synthesiser.picture` gives it: (h, w, 3) BGR, or (h, w) when the scene is grey."""
    rng = np.random.default_rng(seed)
    bpy.ops.wm.read_factory_settings(use_empty=True)
    _renderer(scene, samples)
    _sky(scene.light)
    _lamps(scene.light)
    _bench(scene)
    flat = _flat_scale(scene)
    if flat is not None:
        _lay_down(flat, float(rng.choice([0.0, 0.5, 0.8])) if flat.name == "rule" else 0.0)
    for part in scene.parts:
        _body(scene, part, True, METALS[part.metal], rng)
    if isinstance(scene.scale, Pin):  # ground finer or coarser
        ground = float(rng.uniform(0.12, 0.45)) ** 2
        pin = pin_body(scene.scale)
        _body(scene, pin, False, replace(METALS[pin.metal], turned=(ground, ground)), rng)
    _camera(scene, rng)
    linear = _traced()
    if not scene.colour:
        linear = np.repeat(linear.mean(axis=2, keepdims=True), 3, axis=2)
    warm = scene.sensor.warmth if scene.colour else 0.0
    linear = linear * np.float32([1 - warm, 1, 1 + warm]) * _fall_off(scene)[..., None]
    frame, metal = float(linear[::4, ::4].mean()), _brightness_of_zones(scene, linear)
    return develop(
        linear if scene.colour else np.ascontiguousarray(linear[..., 0]), max(frame, 0.8 * metal), scene, rng
    )


def _renderer(scene: Scene, samples: int) -> None:
    s = bpy.context.scene
    s.render.engine = "CYCLES"
    s.cycles.device = "CPU"
    s.cycles.samples = samples
    s.cycles.use_denoising = True
    s.cycles.denoiser = "OPENIMAGEDENOISE"
    s.cycles.max_bounces = MOST_BOUNCES
    s.cycles.sample_clamp_indirect = 4
    s.cycles.blur_glossy = 0.3
    s.cycles.pixel_filter_type = "BLACKMAN_HARRIS"
    s.cycles.filter_width = 1.3
    s.render.resolution_x, s.render.resolution_y = scene.camera.size_px
    s.render.resolution_percentage = 100
    s.view_settings.view_transform = "Raw"
    s.render.image_settings.file_format = "OPEN_EXR"
    s.render.image_settings.color_depth = "32"


def _sky(light: Light) -> None:
    """The room around, with the things that stand in it, as a picture of all directions."""
    rows, columns = SKY_SIZE
    elevation = np.radians((np.arange(rows) + 0.5) / rows * 180 - 90)[:, None]
    # azimuth, from world x towards y, of a column of the renderer's equirectangular picture
    turn = ((np.arange(columns) + 0.5) / columns - 0.5) * 2 * np.pi
    azimuth = np.arctan2(np.sin(turn), -np.cos(turn))[None, :]
    level = np.cos(elevation)
    directions = np.stack([level * np.cos(azimuth), level * np.sin(azimuth), np.sin(elevation) + 0 * azimuth], axis=-1)
    up = np.maximum(directions[..., 2], 0)
    radiance = np.where(
        directions[..., 2] > 0, light.horizon + (light.zenith - light.horizon) * up, 0.5 * light.horizon
    )
    for around, above, half, more in light.things:
        a, e = math.radians(around), math.radians(above)
        towards = np.array([math.cos(e) * math.cos(a), math.cos(e) * math.sin(a), math.sin(e)])
        apart = np.degrees(np.arccos(np.clip(directions @ towards, -1, 1)))
        radiance = radiance + more * np.clip((half - apart) / 6 + 0.5, 0, 1)
    world = bpy.data.worlds.new("room")
    bpy.context.scene.world = world
    world.use_nodes = True
    nodes = world.node_tree
    picture = nodes.nodes.new("ShaderNodeTexEnvironment")
    picture.image = _image("room", np.maximum(radiance, 0.01))
    nodes.links.new(picture.outputs[0], nodes.nodes["Background"].inputs[0])


def _lamps(light: Light) -> None:
    """A lamp of strength 1 gives white paper square to it the radiance 1, as in the synthesiser."""
    for lamp in light.lamps:
        points = lamp.points()
        if not lamp.around_deg:
            points = [(np.mean([p for p, _ in points], axis=0), lamp.strength)]
        for at, strength in points:
            distance = float(np.linalg.norm(at))
            made = bpy.data.lights.new("lamp", "AREA")
            made.shape = "SQUARE" if lamp.samples > 1 and not lamp.around_deg else "DISK"
            made.size = 2 * math.tan(lamp.point_half_size if lamp.around_deg else math.radians(lamp.half_size_deg))
            made.size *= distance
            made.energy = strength * math.pi**2 * distance**2
            put = bpy.data.objects.new("lamp", made)
            bpy.context.collection.objects.link(put)
            put.location = at.tolist()
            put.rotation_euler = Vector((-at).tolist()).to_track_quat("-Z", "Y").to_euler()


def _bench(scene: Scene) -> None:
    width, height = scene.camera.size_px
    at = scene.camera.at()
    rays = scene.camera.rays(np.array([0.0, width, width, 0.0]), np.array([0.0, 0.0, height, height]))
    ground = at[:2] - at[2] / rays[:, 2:] * rays[:, :2]
    low, high = ground.min(axis=0) - 20, ground.max(axis=0) + 20
    mm = max(scene.camera.distance_mm / scene.camera.focal_px, float((high - low).max()) / 3000)
    x, y = np.arange(low[0], high[0], mm), np.arange(low[1], high[1], mm)
    picture = bench(scene.background, scene.background_level, x, y, scene.bench_seed)
    seen = _printed("bench", picture, rough=DULL, tint=scene.background_tint)
    _quad([(low[0], low[1], 0), (high[0], low[1], 0), (high[0], high[1], 0), (low[0], high[1], 0)], seen)
    around = _printed("around", np.full((2, 2), scene.background_level), rough=DULL)
    _quad([(-800, -800, -0.05), (800, -800, -0.05), (800, 800, -0.05), (-800, 800, -0.05)], around)


def _flat_scale(scene: Scene) -> FlatPicture | None:
    px_per_mm = float(np.clip(2 * scene.camera.focal_px / scene.camera.distance_mm, 8, 40))
    if isinstance(scene.scale, Rule):
        return rule_picture(scene.scale, px_per_mm, scene.bench_seed + 50)
    return card_picture(scene.scale, px_per_mm) if isinstance(scene.scale, Card) else None


def _lay_down(flat: FlatPicture, metallic: float) -> None:
    wide, high = flat.size_mm
    corners = [flat.at(u, v) for u, v in ((0, 0), (wide, 0), (wide, high), (0, high))]
    _quad(corners, _printed(flat.name, flat.reflectance, metallic, SATIN if metallic else DULL))
    side = _printed("side", np.full((2, 2), 0.4))
    for a, b in zip(corners, [*corners[1:], corners[0]], strict=True):
        _quad([(a[0], a[1], 0.0), (b[0], b[1], 0.0), b, a], side)


def _body(scene: Scene, part: Part, pattern: bool, metal: Metal, rng: np.random.Generator) -> None:
    """A part, in three kinds of faces: the knurled zone, plain turned lengths, ends and shoulders."""
    rolled, turned = _metal(metal, turned=False), _metal(metal, turned=True)
    seed = int(rng.integers(2**30))
    knurl = part.knurl
    plain = np.linspace(0, 2 * math.pi, AROUND, endpoint=False)

    def marks(z: F64) -> F32:
        return value_noise(np.float32(z / 0.05)[None, :], np.zeros((1, len(z)), np.float32), seed)[0]

    pieces = list(part.segments)
    if pattern:
        radius = knurl.od_mm / 2
        theta, z = _fine_grid(scene, part)
        depth = depth_below_crest(knurl, theta, z)
        u, v = np.meshgrid(np.float32(z / 0.12), np.float32(theta * radius / 0.12))
        land = np.clip(1 - depth / 0.03, 0, 1)
        depth = (
            depth + land * TURNING_MARKS_MM * marks(z)[None, :] + (1 - land) * MICRO_MM * value_noise(u, v, seed + 1)
        )
        _surface(part, theta, np.broadcast_to(z, depth.shape), radius - depth, rolled)
        pieces.append(Segment(knurl.start_mm, knurl.end_mm, radius))
    for s in part.segments:
        z = np.linspace(s.z0, s.z1, max(2, int((s.z1 - s.z0) / 0.03)))
        radii = np.repeat(s.radius - TURNING_MARKS_MM * marks(z)[None, :], AROUND, axis=0)
        _surface(part, plain, np.broadcast_to(z, radii.shape), radii, turned)
    for piece in pieces:
        for z_face in (piece.z0, piece.z1):
            rim = np.full(AROUND, piece.radius)
            if pattern and piece is pieces[-1]:  # grooves open at the ends
                rim = rim - depth_below_crest(knurl, plain, np.array([z_face, z_face]))[:, 0]
            radii = rim[:, None] * np.linspace(0, 1, 5)
            _surface(part, plain, np.full(radii.shape, z_face), radii, turned, smooth=False)


def _fine_grid(scene: Scene, part: Part) -> tuple[F64, F64]:
    """θ and z of the points of the zone: half a pixel apart where the camera looks, coarser behind."""
    knurl, at = part.knurl, scene.camera.at()
    px_mm = float(np.linalg.norm(at - part.end_a())) / scene.camera.focal_px
    step = max(0.55 * px_mm, FINEST_MM)
    facing, turn = facing_theta(part, at), step / (knurl.od_mm / 2)
    near = facing + np.arange(-VISIBLE_HALF_ANGLE, VISIBLE_HALF_ANGLE, turn)
    behind = 2 * (math.pi - VISIBLE_HALF_ANGLE)
    far = np.linspace(near[-1] + turn, near[0] + 2 * math.pi - turn, max(8, int(behind / turn / 6)))
    return np.concatenate([near, far]), np.linspace(
        knurl.start_mm, knurl.end_mm, int((knurl.end_mm - knurl.start_mm) / step) + 2
    )


def _surface(part: Part, theta: F64, z: F64, radii: Any, material: Any, *, smooth: bool = True) -> None:
    """A surface round the part's axis, closed round: `z` and `radii` (θ, points)."""
    n, m = radii.shape
    points = np.stack([radii * np.cos(theta)[:, None], radii * np.sin(theta)[:, None], z], axis=-1)
    i, j = np.meshgrid(np.arange(n), np.arange(m - 1), indexing="ij")
    following = (i + 1) % n
    faces = np.stack([i * m + j, following * m + j, following * m + j + 1, i * m + j + 1], axis=-1)
    made = _mesh(points.reshape(-1, 3), faces.reshape(-1, 4), material, smooth)
    made.matrix_world = Matrix(part.to_world().tolist())


def _quad(corners: Any, material: Any) -> None:
    made = _mesh(np.asarray(corners, float), np.array([[0, 1, 2, 3]]), material, False)
    corner = made.data.uv_layers.new(name="UVMap")
    corner.data.foreach_set("uv", np.float32([0, 0, 1, 0, 1, 1, 0, 1]))


def _mesh(points: F64, faces: Any, material: Any, smooth: bool) -> Any:
    made = bpy.data.meshes.new("surface")
    made.vertices.add(len(points))
    made.vertices.foreach_set("co", points.astype(np.float32).ravel())
    n = len(faces)
    made.loops.add(4 * n)
    made.loops.foreach_set("vertex_index", faces.astype(np.int32).ravel())
    made.polygons.add(n)
    made.polygons.foreach_set("loop_start", np.arange(0, 4 * n, 4, dtype=np.int32))
    made.polygons.foreach_set("loop_total", np.full(n, 4, np.int32))
    made.polygons.foreach_set("use_smooth", np.full(n, smooth))
    made.update(calc_edges=True)
    made.materials.append(material)
    put = bpy.data.objects.new("surface", made)
    bpy.context.collection.objects.link(put)
    return put


def _metal(metal: Metal, *, turned: bool) -> Any:
    made = bpy.data.materials.new("metal")
    made.use_nodes = True
    nodes = made.node_tree
    shader = nodes.nodes["Principled BSDF"]
    blue, green, red = metal.colour
    shader.inputs["Base Color"].default_value = (red, green, blue, 1)
    shader.inputs["Metallic"].default_value = 1 - metal.scatter / 2
    # the renderer squares roughness into the width of the highlight
    shader.inputs["Roughness"].default_value = math.sqrt(
        math.sqrt(metal.turned[0] * metal.turned[1]) if turned else metal.rough
    )
    if turned:
        shader.inputs["Anisotropic"].default_value = 1 - math.sqrt(min(metal.turned) / max(metal.turned))
        rings = nodes.nodes.new("ShaderNodeTangent")
        rings.direction_type, rings.axis = "RADIAL", "Z"
        nodes.links.new(rings.outputs[0], shader.inputs["Tangent"])
    return made


def _printed(
    name: str,
    reflectance: Any,
    metallic: float = 0.0,
    rough: float = DULL,
    tint: tuple[float, float, float] = (1, 1, 1),
) -> Any:
    """A flat material with a picture (rows from the first edge) on it; `tint` is blue, green, red."""
    made = bpy.data.materials.new(name)
    made.use_nodes = True
    nodes = made.node_tree
    shader = nodes.nodes["Principled BSDF"]
    picture = nodes.nodes.new("ShaderNodeTexImage")
    picture.image, picture.extension = _image(name, reflectance), "EXTEND"
    tinted = nodes.nodes.new("ShaderNodeMixRGB")
    tinted.blend_type = "MULTIPLY"
    tinted.inputs[0].default_value = 1
    tinted.inputs[2].default_value = (*reversed(tint), 1)
    nodes.links.new(picture.outputs[0], tinted.inputs[1])
    nodes.links.new(tinted.outputs[0], shader.inputs["Base Color"])
    shader.inputs["Metallic"].default_value = metallic
    shader.inputs["Roughness"].default_value = rough
    return made


def _image(name: str, values: Any) -> Any:
    high, wide = values.shape
    made = bpy.data.images.new(name, wide, high, float_buffer=True, is_data=True)
    pixels = np.ones((high, wide, 4), np.float32)
    pixels[..., :3] = values[..., None]
    made.pixels.foreach_set(pixels.ravel())
    made.update()
    return made


def _camera(scene: Scene, rng: np.random.Generator) -> None:
    """The scene's camera, focused between the first part's crest and its axis, its lens opened by chance."""
    camera, part = scene.camera, scene.parts[0]
    width, height = camera.size_px
    rotation, t = camera.pose()
    made = bpy.data.cameras.new("camera")
    put = bpy.data.objects.new("camera", made)
    bpy.context.collection.objects.link(put)
    bpy.context.scene.camera = put
    to_world = np.eye(4)
    to_world[:3, :3] = rotation.T @ np.diag([1, -1, -1])  # the renderer's camera looks along -z, its y is up
    to_world[:3, 3] = camera.at()
    put.matrix_world = Matrix(to_world.tolist())
    made.sensor_fit, made.sensor_width = "HORIZONTAL", 36
    made.lens = camera.focal_px / width * 36
    made.clip_start, made.clip_end = 1, 5000
    made.shift_x = ((width - 1) / 2 - camera.centre[0]) / width
    made.shift_y = (camera.centre[1] - (height - 1) / 2) / width
    radius = part.knurl.od_mm / 2
    middle = part.end_a() + part.axes()[:, 2] * (part.knurl.start_mm + part.knurl.end_mm) / 2
    crest_mm = float((rotation @ (middle + np.array([0, 0, radius])) + t)[2])
    circle_px = float(rng.uniform(0, MOST_CIRCLE_PX))
    opening_mm = circle_px * crest_mm * (crest_mm + 10) / (10 * camera.focal_px)
    if opening_mm > 0:
        made.dof.use_dof = True
        made.dof.focus_distance = crest_mm + float(rng.uniform(0, 0.5)) * radius
        made.dof.aperture_fstop = made.lens * 1e-3 / opening_mm  # the renderer takes the scene's unit for a metre


def _traced() -> F32:
    """(h, w, 3) linear, blue, green, red."""
    with tempfile.TemporaryDirectory() as folder:
        path = str(Path(folder) / "traced.exr")
        bpy.context.scene.render.filepath = path
        bpy.ops.render.render(write_still=True)
        image = bpy.data.images.load(path)
        image.colorspace_settings.is_data = True
        wide, high = image.size
        pixels = np.empty(wide * high * 4, np.float32)
        image.pixels.foreach_get(pixels)
    return np.ascontiguousarray(pixels.reshape(high, wide, 4)[::-1, :, 2::-1])


def _fall_off(scene: Scene) -> F32:
    """cos^4 towards the corners."""
    width, height = scene.camera.size_px
    x = np.arange(width, dtype=np.float32) - np.float32(scene.camera.centre[0])
    y = np.arange(height, dtype=np.float32) - np.float32(scene.camera.centre[1])
    return np.asarray(1 / np.square(1 + (x[None, :] ** 2 + y[:, None] ** 2) / np.float32(scene.camera.focal_px**2)))


def _brightness_of_zones(scene: Scene, linear: F32) -> float:
    inside = np.zeros(linear.shape[:2], np.uint8)
    for part in scene_truth(scene)["parts"]:
        cv2.fillPoly(inside, [np.rint(part["knurl_polygon_px"]).astype(np.int32)], 1)
    return float(np.minimum(linear.mean(axis=2), 20)[inside > 0].mean()) if inside.any() else 0.0


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("folder", type=Path)
    parser.add_argument("--count", type=int, default=10)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--start", type=int, default=0, help="number of the first scene of the seed")
    parser.add_argument("--preset", default="mixed", choices=sorted(PRESET_NAMES))
    parser.add_argument("--samples", type=int, default=12, help="of light, for each pixel")
    args = parser.parse_args()
    draw = partial(path_traced, samples=args.samples)
    args.folder.mkdir(parents=True, exist_ok=True)
    for i, scene in enumerate(preset_scenes(args.preset, args.start + args.count, args.seed)):
        if i < args.start:
            continue
        # the renderer's lens draws straight lines straight
        straight = replace(scene, camera=replace(scene.camera, distortion=(0.0, 0.0)))
        print(write_photo(straight, args.seed * 100_003 + i, args.folder, draw), flush=True)


if __name__ == "__main__":
    main()
