"""The files, read back by others: trimesh and lib3mf judge the solids, a parser the sheet."""
from __future__ import annotations

import csv
import errno
import io
import json
import os
import re
import zipfile
from collections.abc import Iterator
from dataclasses import replace
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import lib3mf
import numpy as np
import pytest
import trimesh

from core.errors import FileFault
from core.handover import FILES, hand_over
from core.handover.drawing import Drawing, best_scale
from core.handover.sheet import figure, sheet_html
from core.handover.views import claw_azimuth_deg, is_claw_in_plane, plan_view, side_view, upright_section
from core.handover.weights import metal_weights
from core.handover.write import write_files
from core.head import Head, make_head
from core.proof import prove
from core.solid.kernel import volume_mm3
from core.spec import spec_of
from core.trade.alloys import SHEET_ALLOYS, alloy
from core.trade.house_rules import HouseRules, house_rules
from core.trade.species import species

HEADS = {
    "cast": ({"stone.length_mm": 6.2, "stone.species": "peridot", "casting.alloy": "18K white gold, nickel", "finger.system": "us",
              "finger.size": "7"}, "cast"),
    "set": ({"stone.length_mm": 7.2, "claws.count": 6, "casting.shrinkage_percent": 2.0}, "set"),
    "seat cut": ({"stone.length_mm": 4.0, "seat.cut": True}, "cast"),
}


@pytest.fixture(scope="module", params=HEADS)
def handed(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[Head, Path]]:
    choices, state = HEADS[request.param]
    head = make_head(spec_of(choices), state)
    folder = tmp_path_factory.mktemp("out") / "a new" / "folder"
    assert tuple(path.name for path in hand_over(head, prove(head), folder)) == FILES
    yield head, folder


@pytest.mark.parametrize("name", ["head.stl", "head.3mf", "cast.stl", "cast.3mf"])
def test_an_outside_reader_finds_one_closed_body_of_our_volume(handed: tuple[Head, Path], name: str) -> None:
    """trimesh: one body, watertight, winding consistent; volume within 1e-6 of ours (3MF) or of float32 (STL)."""
    head, folder = handed
    scene = trimesh.load(folder / name)
    mesh = scene.to_mesh() if isinstance(scene, trimesh.Scene) else scene
    factor = 1.0 / (1.0 - head.plan["shrinkage"]) if name.startswith("cast") else 1.0
    assert mesh.is_watertight and mesh.is_winding_consistent
    assert mesh.body_count == 1
    assert mesh.volume == pytest.approx(volume_mm3(head.solid) * factor**3, rel=1e-6)


@pytest.mark.parametrize("name", ["head.3mf", "cast.3mf"])
def test_lib3mf_reads_the_package_and_agrees_on_unit_and_use(handed: tuple[Head, Path], name: str) -> None:
    """lib3mf, the 3MF Consortium's own reader: no warnings, millimetres, stones present and never built."""
    head, folder = handed
    wrapper = lib3mf.Wrapper()
    model = wrapper.CreateModel()
    reader = model.QueryReader("3mf")
    reader.SetStrictModeActive(True)
    reader.ReadFromFile(str(folder / name))
    assert reader.GetWarningCount() == 0
    assert model.GetUnit() == lib3mf.ModelUnit.MilliMeter
    objects, kinds = model.GetMeshObjects(), {}
    while objects.MoveNext():
        each = objects.GetCurrentMeshObject()
        kinds[each.GetName()] = each.GetType()
        assert each.IsManifoldAndOriented(), each.GetName()
    assert kinds.pop("metal") == lib3mf.ObjectType.Model
    assert set(kinds.values()) == ({lib3mf.ObjectType.Other} if name == "head.3mf" else set())
    items = model.GetBuildItems()
    assert items.Count() == 1 and items.MoveNext() and items.GetCurrent().GetObjectResource().GetName() == "metal"
    description = model.GetMetaDataGroup().GetMetaDataByKey("", "Description").GetValue()
    shrinkage = f"{100 * head.plan['shrinkage']:.3f} %"
    assert (shrinkage in description) == (name == "cast.3mf")


def test_the_same_head_gives_the_same_bytes(tmp_path: Path) -> None:
    head = make_head(spec_of({"stone.length_mm": 3.0}))
    first, second = (hand_over(make_head(head.spec), prove(head), tmp_path / each) for each in "ab")
    assert [path.read_bytes() for path in first] == [path.read_bytes() for path in second]


def test_the_records_hold_what_other_programs_read(handed: tuple[Head, Path]) -> None:
    head, folder = handed
    dimensions = json.loads((folder / "dimensions.json").read_text("utf-8"))
    for name in ("girdle_plane", "wall_top", "wall_drop", "outer_radius_base", "outer_radius_top", "inner_radius_base", "wall_thickness",
                 "bevel", "claw_diameter", "claw_notch", "claw_shift", "claw_length", "stone_weight", "head_height"):
        assert dimensions[name]["value"] == head.plan[name]
        assert dimensions[name]["unit"] in {"mm", "deg", "ct", "1"} and dimensions[name]["reason"] and dimensions[name]["source"]
    proof = json.loads((folder / "proof.json").read_text("utf-8"))
    assert proof["metal"] == {"volume_mm3": pytest.approx(volume_mm3(head.solid)), "area_mm2": pytest.approx(head.solid.surface_area()),
                              "bodies": 1, "watertight": True}
    for finding in proof["findings"]:
        assert {"code", "verdict", "measured", "limit", "unit", "place", "why", "remedy", "source"} <= finding.keys()


def test_weights_are_volume_times_density(handed: tuple[Head, Path]) -> None:
    head, folder = handed
    rows = {(row["kind"], row["name"]): row for row in csv.DictReader(io.StringIO((folder / "weights.csv").read_text("utf-8")))}
    for name in SHEET_ALLOYS:
        expected = volume_mm3(head.solid) / 1000.0 * alloy(name).density_g_cm3
        assert float(rows["metal", name]["weight_g"]) == pytest.approx(expected, abs=6e-5)
        assert float(rows["metal", name]["melt_g"]) == pytest.approx(1.1 * expected, abs=6e-4)
    assert float(rows["stone", "ruby"]["weight_ct"]) == pytest.approx(head.stone.weight_ct(species("ruby").density_g_cm3), abs=6e-5)
    assert [name for (kind, name), row in rows.items() if row["chosen"]] == [head.alloy.name, head.species.name]


def test_a_workshop_that_sprues_more_heavily_melts_more() -> None:
    rule = replace(house_rules()["casting.sprue_weight"], value=0.25)
    head = make_head(spec_of({}), rules=HouseRules({**house_rules().rules, rule.key: rule}))
    assert [weight.melt_g / weight.head_g for weight in metal_weights(head)] == pytest.approx([1.25] * len(metal_weights(head)))


class Page(HTMLParser):
    """Checks that every tag is closed in order and nothing is loaded from elsewhere."""

    def __init__(self) -> None:
        super().__init__()
        self.open: list[str] = []
        self.words: list[str] = []

    def handle_starttag(self, tag: str, attributes: list[tuple[str, str | None]]) -> None:
        assert tag not in {"script", "img", "link", "iframe"}
        assert not {"src", "href"} & {name for name, _ in attributes}
        if tag not in {"meta", "br"}:
            self.open.append(tag)

    def handle_startendtag(self, tag: str, attributes: list[tuple[str, str | None]]) -> None:
        pass

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag

    def handle_data(self, data: str) -> None:
        self.words.append(data)


def test_the_sheet_is_whole_and_says_what_the_setter_needs(handed: tuple[Head, Path]) -> None:
    head, folder = handed
    text = (folder / "sheet.html").read_text("utf-8")
    page = Page()
    page.feed(text)
    assert page.open == []
    words = " ".join(page.words)
    assert 'width="50mm"' in text and "must measure 50 mm" in words
    for needed in ("Eye protection", "respirator", "local law", "Ultrasonic", "Torch", head.species.heat, f"{100 * head.plan['shrinkage']:.2f} %",
                   *SHEET_ALLOYS):
        assert needed in words, needed
    assert ("nickel: release" in words) == head.alloy.has_nickel
    for dimension in head.plan:
        assert dimension.reason in words


def test_the_sheet_gives_shares_to_three_figures_both_ends_of_the_stones_sizes_and_the_law_for_each_metal() -> None:
    head = make_head(spec_of({"stone.length_mm": 7.2, "casting.shrinkage_percent": 1.45, "spread.stone_mm": 0.05}))
    page = Page()
    page.feed(sheet_html(head, prove(head), house_rules()))
    words = " ".join(page.words)
    for needed in ("0.0145", "Smallest stone that this metal takes", "Largest stone that this metal takes", "entry 63", "entry 23(10)", " °C"):
        assert needed in words, needed
    assert figure(0.1, "1") == "0.100" and figure(0.0999, "1") == "0.0999" and figure(0.0, "1") == "0.000"
    assert figure(-0.001, "mm") == "0.00 mm" and figure(-0.01, "mm") == "−0.01 mm"


def test_the_sections_on_the_sheet_are_those_of_the_solid() -> None:
    head = make_head(spec_of({"stone.length_mm": 6.0, "claws.count": 4}))
    points = np.concatenate(upright_section(head.solid, 45.0))
    assert points[:, 1].min() == pytest.approx(0.0, abs=1e-9)
    assert points[:, 1].max() == pytest.approx(head.plan["head_height"], abs=0.01)
    wall = np.concatenate(upright_section(head.solid, 0.0))
    assert wall[:, 0].max() == pytest.approx(head.plan["outer_radius_top"], abs=0.01)


@pytest.mark.parametrize(("cut", "width_mm"), [("oval", 6.0), ("marquise", 4.0), ("pear", 5.0), ("princess", 8.0),
                                                ("oval cabochon", 6.0), ("sugarloaf cabochon", 8.0)])
@pytest.mark.parametrize("is_cut", [False, True])
def test_the_section_of_any_outline_passes_through_the_claw_and_names_its_own_lengths(cut: str, width_mm: float,
                                                                                                  is_cut: bool) -> None:
    """The cut reaches the end of a claw that lies in it, and each length on it is the length of the cut's own edge in the base plane."""
    head = make_head(spec_of({"stone.cut": cut, "stone.length_mm": 8.0, "stone.width_mm": width_mm, "seat.cut": is_cut,
                              "claws.placement": "evenly", "claws.section": "round", "claws.count": 4}))
    azimuth = claw_azimuth_deg(head)
    metal = np.concatenate(upright_section(head.solid, azimuth))
    stone = np.concatenate(upright_section(head.stone_solid, azimuth))
    wall = np.concatenate(upright_section(head.part_solids["wall"], azimuth))
    assert metal[:, 0].max() > wall[:, 0].max() + 0.3 * head.plan["claw_diameter"]
    assert is_claw_in_plane(head) == (cut not in {"oval", "marquise", "oval cabochon"}), "claws at 45° lean off the axis there"
    assert not is_claw_in_plane(head) or metal[metal[:, 0] > 0.0][:, 1].max() == pytest.approx(head.plan["head_height"], abs=0.02)
    base = wall[np.abs(wall[:, 1]) < 1e-6][:, 0]
    svg = side_view(head, None)[0]
    for word, length in (("stone", np.ptp(stone[:, 0])), ("base", np.ptp(base)), ("hole", base[base > 0].min() - base[base < 0].max())):
        said = re.search(rf">{word} ([\d.]+)<", svg)
        assert said and float(said[1]) == pytest.approx(length, abs=0.011), word


def test_the_plan_dimensions_a_pear_from_its_head_to_its_point() -> None:
    """Its ends lie unevenly about the axis; the dimension line spans the drawn outline, at the drawing's scale."""
    head = make_head(spec_of({"stone.cut": "pear", "stone.length_mm": 8.0, "stone.width_mm": 5.0}))
    svg, scale = plan_view(head, None)
    outline = head.stone.outline.loop(0.0, head.stone.outline.counts(0.001))
    lines = [(float(a), float(b)) for a, y, b, z in re.findall(r'class="thin" d="M([\d.-]+),([\d.-]+)L([\d.-]+),([\d.-]+)"', svg) if y == z]
    ends = scale * outline[:, 0].min(), scale * outline[:, 0].max()
    assert abs(ends[0] + ends[1]) > 1.0
    assert any(line == pytest.approx(ends, abs=0.05) for line in lines)


def test_drawings_are_to_scale_and_label_what_they_measure() -> None:
    drawing = Drawing(4.0)
    drawing.span((0.0, 0.0), (10.0, 0.0), -2.0, "ten 10.00")
    svg = drawing.svg("x")
    xs = [float(x) for x in re.findall(r'class="thin" d="M([\d.-]+),', svg)]
    assert max(xs) - min(xs) == pytest.approx(40.0) and "ten 10.00" in svg
    assert svg.rindex("<path") < svg.index("<text"), "text lies over every line"
    assert best_scale(10.0, 10.0, (40.0, 100.0)) == 4.0 and best_scale(500.0, 10.0, (40.0, 40.0)) == 1.0


def test_a_full_disk_leaves_everything_as_it_was(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / "b.txt").write_text("before")
    (tmp_path / "mine.txt").write_text("mine")
    calls = []

    def full(descriptor: int) -> None:
        calls.append(descriptor)
        if len(calls) == 2:
            raise OSError(errno.ENOSPC, "No space left on device")
    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(FileFault, match="No space left.*nothing was written"):
        write_files(tmp_path, {"a.txt": b"new", "b.txt": b"new", "c.txt": b"new"})
    assert {path.name: path.read_text() for path in tmp_path.iterdir()} == {"b.txt": "before", "mine.txt": "mine"}


def test_a_folder_that_had_to_be_made_is_taken_back(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def denied(*_: object) -> None:
        raise PermissionError(errno.EACCES, "Permission denied")
    monkeypatch.setattr(os, "fsync", denied)
    with pytest.raises(FileFault, match="Permission denied"):
        write_files(tmp_path / "x" / "y", {"a": b""})
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("fault", [PermissionError(errno.EACCES, "Permission denied"), KeyboardInterrupt()])
def test_files_that_moved_are_taken_back_when_the_next_cannot_move(tmp_path: Path, monkeypatch: pytest.MonkeyPatch,
                                                                   fault: BaseException) -> None:
    (tmp_path / "b.txt").write_text("before")
    replace = os.replace

    def third_fails(source: Path, target: Path) -> None:
        if Path(target) == tmp_path / "c.txt":
            raise fault
        replace(source, target)
    monkeypatch.setattr(os, "replace", third_fails)
    with pytest.raises(FileFault if isinstance(fault, OSError) else KeyboardInterrupt):
        write_files(tmp_path, {"a.txt": b"new", "b.txt": b"new", "c.txt": b"new", "d.txt": b"new"})
    assert {path.name: path.read_text() for path in tmp_path.iterdir()} == {"b.txt": "before"}


def test_a_name_too_long_for_the_disk_leaves_no_folder(tmp_path: Path) -> None:
    with pytest.raises(FileFault, match="nothing was written"):
        write_files(tmp_path / "made" / ("x" * 300), {"a.txt": b""})
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("make", ["file", "taken", "nul"])
def test_places_that_take_no_files_are_named(tmp_path: Path, make: str) -> None:
    target = tmp_path / "out"
    if make == "file":
        target.write_text("a file")
    elif make == "taken":
        (target / "head.stl").mkdir(parents=True)
    else:
        target = tmp_path / "a\0b"
    with pytest.raises(FileFault, match="cannot be written there"):
        write_files(target, {"dimensions.json": b"{}", "head.stl": b""})
    assert make != "taken" or [path.name for path in target.iterdir()] == ["head.stl"]


def test_names_in_any_script_and_files_from_before_stay(tmp_path: Path) -> None:
    folder = tmp_path / "Ring für Zoë 指輪"
    folder.mkdir()
    (folder / "notes.txt").write_text("mine")
    write_files(folder, {"head.stl": b"1"})
    write_files(folder, {"head.stl": b"2"})
    assert {path.name: path.read_bytes() for path in folder.iterdir()} == {"notes.txt": b"mine", "head.stl": b"2"}


@pytest.mark.parametrize("style", ["basket", "gallery", "coronet", "peg", "rim"])
@pytest.mark.parametrize("more", [{}, {"surround.present": True, "surround.stone_mm": 2.0}, {"sides.present": True}])
def test_heads_of_every_style_and_with_several_stones_are_handed_over(style: str, more: dict[str, Any], tmp_path: Path) -> None:
    """The 3MF holds each stone once, unprinted, and every file is there."""
    made = make_head(spec_of({"head.style": style, **more}), chord_mm=0.02)
    assert [path.name for path in hand_over(made, (), tmp_path)] == list(FILES)
    model = zipfile.ZipFile(tmp_path / "head.3mf").read("3D/3dmodel.model").decode()
    assert re.findall(r'type="other" name="([^":]*)', model) == [stone.name for stone in made.stones]
    assert model.count("<item ") == 1


def test_the_sheet_tells_how_v_claws_are_folded_and_how_high() -> None:
    head = make_head(spec_of({"stone.cut": "marquise", "stone.length_mm": 8.0}), "set")
    page = sheet_html(head, (), house_rules())
    assert "Fold both sides of each V claw" in page and "Bend each other claw" in page
    assert f"{head.plan['v_tip_height']:.2f} mm over the base" in page and f"{head.plan['tip_height']:.2f} mm over the base" in page
    princess = sheet_html(make_head(spec_of({"stone.cut": "princess"}), "set"), (), house_rules())
    assert "Fold both sides" in princess and "Bend each" not in princess
