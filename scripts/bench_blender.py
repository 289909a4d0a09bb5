"""Inside Blender's Python: time the installed extension, and Blender's own EXACT boolean modifiers on the same parts.

    BLENDER_USER_RESOURCES=… SEATWRIGHT_ZIP=… python bench_blender.py measure CHOICES quick|full
    BLENDER_USER_RESOURCES=… python bench_blender.py register      after a `measure` that installed the zip there

Prints one line "RESULT {json}" and leaves without Blender's own clean-up, which may crash or hang in a module.
"""

from __future__ import annotations

import importlib
import json
import os
import statistics
import sys
import time
from collections.abc import Callable
from pathlib import Path

import bpy

PACKAGE = "bl_ext.user_default.seatwright"
CHORD_MM = 0.005

# What is dragged on which head: choices of the head, the property, two values it goes between.
SLIDERS: dict[str, tuple[dict[str, object], str, tuple[float, float]]] = {
    "worked, taper": ({}, "wall_taper_deg", (16.0, 17.0)),
    "worked, stone length": ({}, "stone_length_mm", (5.0, 5.1)),
    "worked, pavilion angle": ({}, "stone_pavilion_angle_deg", (40.75, 41.0)),
    "12 claws, claw diameter": ({"stone.length_mm": 15.0, "claws.count": 12}, "claws_diameter_mm", (1.0, 1.1)),
    "20 mm, clearance": ({"stone.length_mm": 20.0}, "head_culet_clearance_mm", (1.0, 1.2)),
    "oval, stone length": ({"stone.cut": "oval", "stone.length_mm": 8.0}, "stone_length_mm", (8.0, 8.1)),
    "pear, taper": ({"stone.cut": "pear", "stone.length_mm": 8.0}, "wall_taper_deg", (14.0, 15.0)),
    "heart, stone length": ({"stone.cut": "heart", "stone.length_mm": 7.0}, "stone_length_mm", (7.0, 7.1)),
    "cushion, stone length": ({"stone.cut": "cushion", "stone.length_mm": 7.0}, "stone_length_mm", (7.0, 7.1)),
    "princess, notch": ({"stone.cut": "princess", "stone.length_mm": 6.0}, "claws_notch", (0.28, 0.3)),
    "oval basket, stone length": ({"stone.cut": "oval", "stone.length_mm": 8.0, "head.style": "basket"},
                                  "stone_length_mm", (8.0, 8.1)),
    "heart basket, rail drop": ({"stone.cut": "heart", "stone.length_mm": 7.0, "head.style": "basket"},
                                "rails_upper_drop", (0.3, 0.4)),
    "gallery, window bars": ({"head.style": "gallery"}, "wall_bar_mm", (0.7, 0.75)),
    "cushion gallery, stone length": ({"stone.cut": "cushion", "stone.length_mm": 7.0, "head.style": "gallery"},
                                      "stone_length_mm", (7.0, 7.1)),
    "coronet, scoop": ({"head.style": "coronet"}, "wall_scoop_mm", (0.5, 0.55)),
    "peg, stone length": ({"head.style": "peg"}, "stone_length_mm", (6.0, 6.1)),
    "rim, rim height": ({"head.style": "rim"}, "rim_height_mm", (0.7, 0.75)),
    "heart rim, stone length": ({"stone.cut": "heart", "stone.length_mm": 7.0, "head.style": "rim"},
                                "stone_length_mm", (7.0, 7.1)),
}
"""Heads with one stone."""

SURROUND = "surround of 40, stone length"
"""Of a budget of its own, because forty seats are cut anew at every tick."""
SLIDERS[SURROUND] = ({"stone.length_mm": 15.0, "surround.present": True, "surround.stone_mm": 1.3, "surround.count": 40},
                     "stone_length_mm", (15.0, 15.1))


def median_ms(rounds: int, work: Callable[[int], object]) -> float:
    """Median of a work's times on the processor after one that does not count; it is told its turn."""
    times = []
    for turn in range(rounds + 1):
        started = time.process_time()
        work(turn)
        times.append(1e3 * (time.process_time() - started))
    return statistics.median(times[1:])


def install() -> None:
    bpy.ops.extensions.package_install_files(
        filepath=os.environ["SEATWRIGHT_ZIP"], repo="user_default", enable_on_install=True, overwrite=True
    )


def core(name: str):  # type: ignore[no-untyped-def]
    return importlib.import_module(f"{PACKAGE}.core.{name}")


def measure(worked: dict[str, object], rounds: int) -> dict[str, object]:
    install()
    bpy.ops.wm.read_homefile(use_empty=True, use_factory_startup=True)
    ticks = {name: tick_ms({**(worked if name.startswith("worked") else {}), **choices}, key, values, rounds)
             for name, (choices, key, values) in SLIDERS.items()}  # fmt: skip
    bpy.ops.wm.read_homefile(use_empty=True, use_factory_startup=True)
    return {"version": bpy.app.version_string, "surround_tick": ticks.pop(SURROUND), "ticks": ticks, **fused(worked, rounds)}


def tick_ms(choices: dict[str, object], key: str, values: tuple[float, float], rounds: int) -> float:
    """Property to rewritten mesh and updated depsgraph; every tick has a value that no tick before it had."""
    mesh = add_head(choices)
    low, high = values

    def tick(turn: int) -> None:
        setattr(mesh.seatwright, key, low + (high - low) * turn / (rounds + 1))
        bpy.context.view_layer.update()

    before = [tuple(vertex.co) for vertex in mesh.vertices]
    found = median_ms(rounds, tick)
    if mesh.seatwright.problem or before == [tuple(vertex.co) for vertex in mesh.vertices]:
        raise SystemExit(f"{key} did not change the metal: {mesh.seatwright.problem}")
    return found


def add_head(choices: dict[str, object]) -> bpy.types.Mesh:
    bpy.ops.seatwright.head_add()
    mesh = bpy.context.object.data
    for path, value in choices.items():
        setattr(mesh.seatwright, path.replace(".", "_"), value)
    return mesh


def fused(worked: dict[str, object], rounds: int) -> dict[str, float]:
    """The worked head by the core, and the union of the same parts by EXACT modifiers, alternately."""
    spec_of, make_head = core("spec").spec_of, core("head").make_head
    volume_mm3 = core("solid.kernel").volume_mm3
    head = make_head(spec_of(worked), chord_mm=CHORD_MM)
    wall, *claws = [part_object(name, mesh) for name, mesh in head.parts.items()]
    for claw in claws:
        modifier = wall.modifiers.new(claw.name, "BOOLEAN")
        modifier.operation, modifier.solver, modifier.object = "UNION", "EXACT", claw
        claw.hide_viewport = True
    own, exact, volumes = [], [], {}
    for turn in range(rounds + 1):
        started = time.process_time()
        volumes["own"] = volume_mm3(make_head(spec_of(worked), chord_mm=CHORD_MM).solid)
        between = time.process_time()
        wall.data.update_tag()
        bpy.context.view_layer.update()
        result = wall.evaluated_get(bpy.context.evaluated_depsgraph_get()).data
        ended = time.process_time()
        if turn:
            own.append(1e3 * (between - started))
            exact.append(1e3 * (ended - between))
    volumes["exact"] = volume_of(result)
    apart = abs(volumes["exact"] / volumes["own"] - 1.0)
    if apart > 1e-4:
        raise SystemExit(f"the modifiers' volume is {100 * apart:.3f} % off: not the same solid")
    return {"own_ms": statistics.median(own), "exact_ms": statistics.median(exact), "apart": apart}


def part_object(name: str, part) -> bpy.types.Object:  # type: ignore[no-untyped-def]
    mesh = bpy.data.meshes.new(name)
    faces = [part.face(index).tolist() for index in range(len(part))]
    mesh.from_pydata(part.vertices.tolist(), [], faces)
    thing = bpy.data.objects.new(name, mesh)
    bpy.context.collection.objects.link(thing)
    return thing


def volume_of(mesh: bpy.types.Mesh) -> float:
    import bmesh

    body = bmesh.new()
    body.from_mesh(mesh)
    volume = body.calc_volume()
    body.free()
    return volume


def register() -> dict[str, float]:
    """Import and register the installed extension in a Python that has not seen it yet."""
    packages = sorted(Path(os.environ["BLENDER_USER_RESOURCES"]).glob("extensions/.local/lib/python*/site-packages"))
    sys.path[:0] = [str(path) for path in packages]
    started = time.process_time()
    module = importlib.import_module(PACKAGE)
    module.register()
    taken = 1e3 * (time.process_time() - started)
    if not hasattr(bpy.types.Mesh, "seatwright"):
        raise SystemExit("the extension did not register")
    return {"register_ms": taken}


def main(words: list[str]) -> None:
    found = measure(json.loads(words[1]), 9 if words[2] == "quick" else 41) if words[0] == "measure" else register()
    print("RESULT " + json.dumps(found), flush=True)


if __name__ == "__main__":
    try:
        main(sys.argv[1:])
    except BaseException as failure:
        print(f"{type(failure).__name__}: {failure}", file=sys.stderr, flush=True)
        os._exit(1)
    os._exit(0)
