"""Inside Blender's Python: add the head of a spec with the installed extension, light it, save it, take its picture.

    BLENDER_USER_RESOURCES=… SEATWRIGHT_ZIP=… python demo_scene.py SPEC.toml OUT.blend [OUT.png WIDTH_PX …]

Head, metal and stone come from the extension alone; here are only the studio and the camera.
"""

from __future__ import annotations

import math
import os
import sys
import time
import tomllib
from collections.abc import Callable
from pathlib import Path

import bpy
from mathutils import Vector

CAMERA_AZIMUTH_DEG, CAMERA_HEIGHT_DEG, CAMERA_AWAY = -68.0, 38.0, 4.5
"""From where the picture is taken: seat, claws and crown in one view. Away in stone widths."""

# Common practice, no source. Glowing sheets: how far right, near and up from the stone as the camera sees it, across
# and along, in stone widths; then watts per square metre. The last three lie below the ground and show only as bands
# in the metal, whose walls lean over and so reflect nothing else.
SHEETS = (
    (-3.4, 0.4, 3.2, 2.2, 1.6, 12.0),
    (2.8, 1.6, 2.0, 0.6, 3.4, 12.0),
    (0.9, -1.6, 4.4, 2.6, 1.0, 8.0),
    (-0.9, 4.4, 1.4, 2.2, 0.7, 4.0),
    (1.1, 0.3, -2.8, 2.7, 0.7, 2.6),
    (-1.6, -0.4, -2.6, 2.7, 0.3, 3.4),
    (-0.3, 1.3, -2.7, 1.5, 0.3, 1.2),
)
# Brightness of the surroundings from straight below (0) to straight above (1): dark at the horizon, so that metal
# has edges to show.
SURROUNDINGS = ((0.0, 0.50), (0.25, 0.34), (0.47, 0.12), (0.55, 0.14), (0.70, 0.55), (1.0, 0.65))
GROUND_GREY = 0.60
SAMPLES = 64
ASPECT = 0.75


def install(zip_path: str) -> None:
    bpy.ops.extensions.package_install_files(
        filepath=zip_path, repo="user_default", enable_on_install=True, overwrite=True
    )
    bpy.ops.wm.read_homefile(use_empty=True, use_factory_startup=True)


def add_head(spec: Path) -> bpy.types.Object:
    """The head of a spec as the setter leaves it, through the same operator and properties that a user has."""
    bpy.ops.seatwright.scene_millimeters()
    bpy.ops.seatwright.head_add()
    metal = bpy.context.object
    settings = metal.data.seatwright
    for section, choices in tomllib.loads(spec.read_text(encoding="utf-8")).items():
        if isinstance(choices, dict):
            for key, value in choices.items():
                setattr(settings, f"{section}_{key}", value)
    settings.state = "set"
    bpy.context.view_layer.update()
    if settings.problem:
        raise SystemExit(f"{spec.name}: {settings.problem}")
    metal.name = spec.stem.title()
    return metal


def shader(block: bpy.types.Material | bpy.types.World, kind: str) -> bpy.types.ShaderNode:
    """Its node of that kind; from 5.0 on nodes are always there, and asking for them warns."""
    if bpy.app.version < (5, 0, 0):
        block.use_nodes = True
    return next(node for node in block.node_tree.nodes if node.type == kind)


def surface(name: str, **inputs: object) -> bpy.types.Material:
    """A material of one Principled shader; "Base_Color" stands for the input "Base Color"."""
    material = bpy.data.materials.new(name)
    principled = shader(material, "BSDF_PRINCIPLED")
    for key, value in inputs.items():
        principled.inputs[key.replace("_", " ")].default_value = value
    return material


def build_studio(width: float, target: Vector) -> None:
    """Sheets, ground, surroundings and camera in a collection of their own, so that one click hides them."""
    studio = bpy.data.collections.new("Studio")
    bpy.context.scene.collection.children.link(studio)
    azimuth = math.radians(CAMERA_AZIMUTH_DEG)
    near = Vector((math.cos(azimuth), math.sin(azimuth), 0.0))
    right = Vector((-near.y, near.x, 0.0))
    for index, (to_right, to_near, up, across, along, strength) in enumerate(SHEETS, 1):
        middle = target + (right * to_right + near * to_near + Vector((0.0, 0.0, up))) * width
        looks = {"Base_Color": (0, 0, 0, 1), "Emission_Color": (1, 1, 1, 1), "Emission_Strength": strength}
        glow = surface(f"Glow {index}", **looks)
        sheet = plane(studio, f"Light {index}", glow, middle, along * width, across * width)
        sheet.rotation_euler = (target - middle).to_track_quat("-Z", "Y" if up > 0.0 else "X").to_euler()
        sheet.visible_camera = False
    grey = surface("Ground", Base_Color=(GROUND_GREY, GROUND_GREY, GROUND_GREY + 0.01, 1), Roughness=0.6)
    ground = plane(studio, "Ground", grey, Vector(), 60.0 * width, 60.0 * width)
    ground.visible_glossy = False
    surround()
    elevation = math.radians(CAMERA_HEIGHT_DEG)
    way = near * math.cos(elevation) + Vector((0.0, 0.0, math.sin(elevation)))
    camera = bpy.data.objects.new("Camera", bpy.data.cameras.new("Camera"))
    camera.data.lens, camera.data.clip_start = 85.0, 0.1
    camera.location = target + way * CAMERA_AWAY * width
    camera.rotation_euler = (-way).to_track_quat("-Z", "Y").to_euler()
    studio.objects.link(camera)
    bpy.context.scene.camera = camera


def plane(
    where: bpy.types.Collection, name: str, material: bpy.types.Material, middle: Vector, along: float, across: float
) -> bpy.types.Object:
    mesh = bpy.data.meshes.new(name)
    x, y = across / 2, along / 2
    mesh.from_pydata([(-x, -y, 0), (x, -y, 0), (x, y, 0), (-x, y, 0)], [], [(0, 1, 2, 3)])
    mesh.materials.append(material)
    thing = bpy.data.objects.new(name, mesh)
    thing.location = middle
    where.objects.link(thing)
    return thing


def surround() -> None:
    world = bpy.data.worlds.new("Studio")
    bpy.context.scene.world = world
    background = shader(world, "BACKGROUND")
    nodes, links = world.node_tree.nodes, world.node_tree.links
    direction, parts = nodes.new("ShaderNodeTexCoord"), nodes.new("ShaderNodeSeparateXYZ")
    share, ramp = nodes.new("ShaderNodeMapRange"), nodes.new("ShaderNodeValToRGB")
    share.inputs["From Min"].default_value = -1.0
    links.new(direction.outputs["Generated"], parts.inputs[0])
    links.new(parts.outputs["Z"], share.inputs["Value"])
    links.new(share.outputs["Result"], ramp.inputs["Fac"])
    links.new(ramp.outputs["Color"], background.inputs["Color"])
    steps = ramp.color_ramp.elements  # two, at 0 and 1; a new one finds its own place in their order
    for place, bright in SURROUNDINGS:
        step = next((each for each in steps if each.position == place), None) or steps.new(place)
        step.color = (bright, bright * 1.02, bright * 1.05, 1.0)


def set_up_renderer() -> None:
    scene = bpy.context.scene
    scene.render.engine = "CYCLES"
    scene.cycles.device = "CPU"
    scene.cycles.samples = SAMPLES
    scene.cycles.adaptive_threshold = 0.02
    scene.cycles.use_denoising, scene.cycles.denoiser = True, "OPENIMAGEDENOISE"
    scene.cycles.seed = 0
    scene.cycles.caustics_reflective = scene.cycles.caustics_refractive = False
    scene.cycles.max_bounces, scene.cycles.transmission_bounces, scene.cycles.glossy_bounces = 24, 20, 12
    scene.view_settings.view_transform = "Standard"
    scene.render.image_settings.file_format, scene.render.image_settings.color_mode = "PNG", "RGB"
    scene.render.image_settings.compression = 100


def take_picture(path: str, width_px: int) -> None:
    render = bpy.context.scene.render
    render.resolution_x, render.resolution_y, render.filepath = width_px, round(width_px * ASPECT), path
    started = time.monotonic()
    bpy.ops.render.render(write_still=True)
    print(f"   {path}: {time.monotonic() - started:.0f} s", flush=True)


def main(spec: str, blend: str, *pictures: str) -> None:
    install(os.environ["SEATWRIGHT_ZIP"])
    metal = add_head(Path(spec))
    size = metal.dimensions
    build_studio(metal.data.seatwright.stone_length_mm, Vector((0.0, 0.0, 0.52 * size.z)))
    set_up_renderer()
    bpy.context.preferences.filepaths.save_version = 0  # no .blend1 beside it at the second run
    bpy.ops.wm.save_as_mainfile(filepath=blend, compress=True)
    print(f"   {blend}: {len(metal.data.polygons)} faces of metal, "
          f"{size.x:.1f} x {size.y:.1f} x {size.z:.1f} mm", flush=True)
    for picture, width_px in zip(pictures[::2], pictures[1::2], strict=True):
        take_picture(picture, int(width_px))


def run(work: Callable[..., None], script: str) -> None:
    """Do the work with the words of the command line, and leave: 0, or 1 after saying what failed."""
    try:
        work(*sys.argv[1:])
    except (SystemExit, RuntimeError) as failure:
        print(f"{script}: {failure}", file=sys.stderr, flush=True)
        os._exit(1)
    os._exit(0)  # Blender as a module may crash or hang on leaving in the ordinary way


if __name__ == "__main__":
    run(main, "demo_scene.py")
