# SPDX-License-Identifier: GPL-3.0-or-later
"""What metal and stone look like: one material for each alloy and species, shared by all heads of a file."""

from __future__ import annotations

from typing import TYPE_CHECKING

import bpy

from . import compat

if TYPE_CHECKING:
    from ..core.head import Head
    from ..core.trade.alloys import Alloy
    from ..core.trade.species import Species

MARK = "seatwright"
"""Custom property of our own materials: which alloy or species they show. A material without it is never touched."""

SPREAD_TO_ABBE = 0.8
"""Dispersion B to G over the spread C to F that an Abbe number counts, roughly; for pictures only (own estimate)."""


def dress(mesh: bpy.types.Mesh, *materials: bpy.types.Material) -> None:
    """Put materials into the first slots, each if its slot is empty or holds one of ours."""
    for slot, material in enumerate(materials):
        if slot == len(mesh.materials):
            mesh.materials.append(material)
            continue
        there = mesh.materials[slot]
        if there is None or (MARK in there and there != material):
            mesh.materials[slot] = material


def metal_of(head: Head) -> bpy.types.Material:
    """The material of the head's alloy, made if the file has none yet."""
    return _marked(f"alloy {head.alloy.name}") or _metal(head.alloy)


def stone_of(species: Species) -> bpy.types.Material:
    """The material of a species, made if the file has none yet."""
    return _marked(f"species {species.name}") or _stone(species)


def _marked(mark: str) -> bpy.types.Material | None:
    return next((each for each in bpy.data.materials if each.library is None and each.get(MARK) == mark), None)


def _new(name: str, mark: str) -> bpy.types.Material:
    material = bpy.data.materials.new(name[:1].upper() + name[1:])
    material[MARK] = mark
    return material


def _metal(alloy: Alloy) -> bpy.types.Material:
    material = _new(alloy.name, f"alloy {alloy.name}")
    colour = (*alloy.colour_linear, 1.0)
    # The solid view has little to reflect: half a metal shows its colour and still shines.
    material.diffuse_color, material.metallic, material.roughness = colour, 0.5, 0.35
    shader = compat.principled(material)
    compat.set_inputs(shader, Base_Color=colour, Metallic=1.0, Roughness=alloy.roughness)
    return material


def _stone(species: Species) -> bpy.types.Material:
    material = _new(species.name, f"species {species.name}")
    colour = (*species.colour_linear, 1.0)
    index = species.mean_refractive_index
    # The solid view knows no glass: a little lighter than the stone, so that a deep one does not show black.
    material.diffuse_color = (*(0.1 + 0.9 * each for each in species.colour_linear), 1.0)
    material.metallic, material.roughness = 0.0, 0.1
    shader = compat.principled(material)
    compat.set_inputs(shader, Base_Color=colour, Metallic=0.0, Roughness=0.0, IOR=index, Transmission_Weight=1.0)
    if species.dispersion:
        compat.set_inputs(
            shader,
            Transmission_Dispersion_Scale=1.0,
            Transmission_Dispersion_Abbe_Number=(index - 1.0) / (SPREAD_TO_ABBE * species.dispersion),
        )
    compat.refract_in_viewport(material)
    return material
