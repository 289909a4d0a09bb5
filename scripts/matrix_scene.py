"""Inside Blender's Python: one picture with a tile for every cut and kind of head, made by the installed extension.

    BLENDER_USER_RESOURCES=… SEATWRIGHT_ZIP=… python matrix_scene.py cast|set OUT.jpg
"""

from __future__ import annotations

import importlib
import math
import os
import sys
import time

import bpy
from mathutils import Matrix, Vector

import demo_scene
import matrix

PACKAGE = "bl_ext.user_default.seatwright"
ACROSS_MM, DOWN_MM, MARGIN_MM = 15.0, 12.5, 19.0
"""Size of a tile, and of the margin that holds the names."""

ZOOM = {"surround": 0.85, "trilogy": 0.6}
"""Kinds that are shown smaller, to fit their tiles."""

PIXELS_PER_MM = 8.0
SAMPLES = 40
CAMERA_HEIGHT_DEG, TURN_DEG = 38.0, 22.0
"""How far the camera looks down on each head, and how far each head is turned about its own axis."""

PAPER, INK = (0.86, 0.87, 0.89, 1.0), (0.05, 0.05, 0.06, 1.0)
LAMPS = ((-0.6, -0.5, 0.8, 1.1), (0.8, -0.2, 0.5, 0.7), (0.1, 0.9, 0.6, 0.8))
"""Suns: the way they come from, and watts per square metre. Common practice, no source."""


def inside(name: str):
    return importlib.import_module(f"{PACKAGE}.{name}")


def glow(name: str, colour: tuple[float, ...]) -> bpy.types.Material:
    """A material that looks the same in any light."""
    return demo_scene.surface(name, Base_Color=(0, 0, 0, 1), Specular_IOR_Level=0.0, Emission_Color=colour,
                              Emission_Strength=1.0)  # fmt: skip


def camera_turn() -> Matrix:
    """From the picture's right, up and towards the camera to the scene's axes."""
    return Matrix.Rotation(math.radians(90.0 - CAMERA_HEIGHT_DEG), 3, "X")


def place(column: float, row: float) -> Vector:
    """Middle of a tile, or of a name beside the tiles, in the plane of the picture."""
    return camera_turn() @ Vector((column * ACROSS_MM, -row * DOWN_MM, 0.0))


def link(thing: bpy.types.Object) -> bpy.types.Object:
    bpy.context.scene.collection.objects.link(thing)
    return thing


def write(text: str, where: Vector, size_mm: float, ink: bpy.types.Material, align: str = "CENTER") -> None:
    """A name in the plane of the picture."""
    curve = bpy.data.curves.new(text, "FONT")
    curve.body, curve.size, curve.align_x, curve.align_y = text, size_mm, align, "CENTER"
    curve.materials.append(ink)
    thing = link(bpy.data.objects.new(text, curve))
    thing.matrix_world = Matrix.Translation(where) @ camera_turn().to_4x4()


def add_head(cut: str, kind: str, state: str, where: Vector) -> bool:
    """The head of a tile; False if it is refused."""
    errors, rebuild, materials = inside("core.errors"), inside("addon.rebuild"), inside("addon.materials")
    spec = inside("core.spec").spec_of(matrix.choices(cut, kind))
    try:
        head = inside("core.head").make_head(spec, state)
    except errors.SpecError:
        return False
    mesh = bpy.data.meshes.new(f"{cut} {kind}")
    rebuild.write_metal(mesh, inside("core.mesh").joined(head.parts.values()))
    materials.dress(mesh, materials.metal_of(head))
    things = [mesh]
    for held in head.stones:
        stone = bpy.data.meshes.new(f"{cut} {kind} stone")
        rebuild.write_facets(stone, held.mesh)
        materials.dress(stone, materials.stone_of(held.species))
        things.append(stone)
    middle = Matrix.Translation((0.0, 0.0, -head.plan["girdle_plane"] * 0.6))
    for each in things:
        thing = link(bpy.data.objects.new(each.name, each))
        turned = Matrix.Rotation(math.radians(TURN_DEG), 4, "Z") @ Matrix.Scale(ZOOM.get(kind, 1.0), 4)
        thing.matrix_world = Matrix.Translation(where) @ turned @ middle
    return True


def light_up(columns: int, rows: int) -> None:
    """Suns and a plain paper behind all tiles, seen by the camera alone."""
    for x, y, z, strength in LAMPS:
        lamp = bpy.data.lights.new("Sun", "SUN")
        lamp.energy, lamp.angle = strength, math.radians(20.0)
        thing = link(bpy.data.objects.new("Sun", lamp))
        thing.rotation_euler = (-Vector((x, y, z))).to_track_quat("-Z", "Y").to_euler()
    paper = demo_scene.plane(bpy.context.scene.collection, "Paper", glow("Paper", PAPER), Vector(),
                             4.0 * rows * DOWN_MM, 4.0 * columns * ACROSS_MM)  # fmt: skip
    behind = camera_turn() @ Vector((0.0, 0.0, -60.0))
    paper.matrix_world = Matrix.Translation(behind) @ camera_turn().to_4x4()
    for ray in ("diffuse", "glossy", "transmission", "shadow"):
        setattr(paper, f"visible_{ray}", False)
    demo_scene.surround()


def look(columns: int, rows: int, path: str) -> None:
    """One picture that holds all tiles and names."""
    width, height = columns * ACROSS_MM + MARGIN_MM, rows * DOWN_MM + DOWN_MM / 2.0
    camera = link(bpy.data.objects.new("Camera", bpy.data.cameras.new("Camera")))
    camera.data.type, camera.data.ortho_scale, camera.data.clip_end = "ORTHO", max(width, height), 1000.0
    middle = Vector(((columns - 1) * ACROSS_MM - MARGIN_MM, -(rows - 1.5) * DOWN_MM, 0.0)) / 2.0 + Vector((0, 0, 200.0))
    camera.matrix_world = Matrix.Translation(camera_turn() @ middle) @ camera_turn().to_4x4()
    scene = bpy.context.scene
    scene.camera = camera
    demo_scene.set_up_renderer()
    scene.cycles.samples = SAMPLES
    render = scene.render
    render.resolution_x, render.resolution_y = round(width * PIXELS_PER_MM), round(height * PIXELS_PER_MM)
    render.image_settings.file_format, render.image_settings.quality, render.filepath = "JPEG", 88, path
    started = time.monotonic()
    bpy.ops.render.render(write_still=True)
    print(f"   {path}: {time.monotonic() - started:.0f} s", flush=True)


def main(state: str, path: str) -> None:
    demo_scene.install(os.environ["SEATWRIGHT_ZIP"])
    sys.path.insert(0, os.path.dirname(os.path.dirname(os.path.abspath(__file__))))
    cuts, ink = inside("core.stone").CUTS, glow("Ink", INK)
    for column, kind in enumerate(matrix.KINDS):
        write(kind, place(column, -0.75), 2.0, ink)
    made = 0
    for row, cut in enumerate(cuts):
        write(cut, place(-0.5 - MARGIN_MM / ACROSS_MM, row) + Vector((1.0, 0.0, 0.0)), 1.9, ink, "LEFT")
        for column, kind in enumerate(matrix.KINDS):
            if add_head(cut, kind, state, place(column, row)):
                made += 1
            else:
                write("refused", place(column, row), 1.4, ink)
    print(f"   {made} heads", flush=True)
    light_up(len(matrix.KINDS), len(cuts))
    look(len(matrix.KINDS), len(cuts), path)


if __name__ == "__main__":
    demo_scene.run(main, "matrix_scene.py")
