"""The setter's sheet: one self-contained page that prints at 1:1 on A4 and Letter."""
from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from html import escape

from ..errors import SpecError
from ..head import Head, Plan
from ..proof.findings import VERDICTS, Finding
from ..proof.spread import SIZE
from ..trade.alloys import SHEET_ALLOYS
from ..trade.burs import seat_bur
from ..trade.carat import fraction_name, sieve
from ..trade.casting import enlargement
from ..trade.hallmarks import hallmark_fineness, needs_hallmark
from ..trade.house_rules import HouseRules
from ..trade.proportions import girdle_class
from ..trade.ring_sizes import SYSTEMS, inside_diameter_mm, nearest_size
from .views import claw_azimuth_deg, is_claw_in_plane, plan_view, section_title, side_view
from .weights import metal_weights, stone_groups

STYLE = """
@page { margin: 13mm 15mm; }
* { box-sizing: border-box; }
html { -webkit-print-color-adjust: exact; print-color-adjust: exact; }
body { font: 9.5pt/1.38 "Helvetica Neue", Helvetica, Arial, "Liberation Sans", sans-serif; color: #16181c;
  width: 178mm; margin: 0 auto; background: #fff; }
h1 { font-size: 17pt; font-weight: 600; margin: 0; letter-spacing: -.01em; }
h2 { font-size: 11.5pt; font-weight: 600; margin: 7mm 0 2mm; padding-bottom: 1mm; border-bottom: .35mm solid #16181c;
  break-after: avoid; }
p { margin: 0 0 1.5mm; }
.sub { color: #4a505a; margin: 0 0 3mm; }
table { border-collapse: collapse; width: 100%; }
th, td { text-align: left; vertical-align: top; padding: .9mm 2mm .9mm 0; border-bottom: .15mm solid #c8ccd2; }
th { font-weight: 600; font-size: 8.5pt; color: #4a505a; border-bottom: .25mm solid #8a9099; }
td.n, th.n { text-align: right; font-variant-numeric: tabular-nums; white-space: nowrap; padding-right: 4mm; }
tr { break-inside: avoid; }
thead { display: table-header-group; }
.key { display: grid; grid-template-columns: repeat(4, 1fr); gap: 2mm 5mm; margin: 2mm 0; }
.key div { border-top: .35mm solid #16181c; padding-top: 1mm; break-inside: avoid; }
.key b { display: block; font-size: 13pt; font-weight: 600; font-variant-numeric: tabular-nums; }
.key span { color: #4a505a; font-size: 8.5pt; }
.views { display: flex; flex-wrap: wrap; gap: 6mm; align-items: flex-end; break-inside: avoid; }
figure { margin: 0 0 3mm; break-inside: avoid; }
figcaption { font-size: 8.5pt; color: #4a505a; margin-top: 1mm; }
.pair { justify-content: space-between; }
.pair figcaption { width: 0; min-width: 100%; }
table.fixed { table-layout: fixed; font-size: 8.5pt; }
.proof th:nth-child(1) { width: 14mm; } .proof th:nth-child(2) { width: 41mm; }
.proof th:nth-child(3), .proof th:nth-child(4) { width: 18mm; } .proof th:nth-child(5) { width: 24mm; }
.proof td.n, .proof th.n { padding-right: 2.5mm; }
.plan th:nth-child(1) { width: 40mm; } .plan th:nth-child(2) { width: 22mm; }
.whole { break-inside: avoid; }
.lead { break-after: avoid; }
.sound-list { columns: 2; column-gap: 8mm; font-size: 8.5pt; margin: 0 0 3mm; }
.sound-list li { break-inside: avoid; } .sound-list b { font-weight: 600; white-space: nowrap; }
svg { display: block; overflow: visible; max-width: none; }
svg text { font-size: 2.6px; fill: #16181c; stroke: #fff; stroke-width: .7px; stroke-linejoin: round; paint-order: stroke; }
.metal { fill: #cfd3d8; stroke: #16181c; stroke-width: .25px; fill-rule: evenodd; }
.stone { fill: #fff; fill-opacity: .75; stroke: #16181c; stroke-width: .2px; }
.axis { stroke: #5b626d; stroke-width: .15px; stroke-dasharray: 3 .8 .6 .8; fill: none; }
.thin { stroke: #5b626d; stroke-width: .13px; fill: none; }
.dot { fill: #16181c; }
.facet { stroke: #16181c; stroke-width: .15px; fill: none; }
.edge { stroke: #16181c; stroke-width: .3px; fill: none; }
.hidden { fill: none; stroke: #5b626d; stroke-width: .18px; stroke-dasharray: .9 .6; }
.true .metal, .true .stone, .true .facet, .true .edge { stroke-width: .1px; }
.true .axis, .true .hidden { stroke-width: .06px; }
.bar { fill: #16181c; }
.verdict { font-weight: 600; white-space: nowrap; }
.unsafe { color: #a01818; } .watch { color: #8a5a00; } .sound { color: #1d6b34; }
.pin { font-size: 8pt; border: .2mm solid #16181c; border-radius: .8mm; padding: 0 .8mm; white-space: nowrap; }
.src { color: #5b626d; font-size: 8pt; }
.box { border: .35mm solid #16181c; padding: 2.5mm 3mm; break-inside: avoid; }
ul { margin: 0; padding-left: 5mm; } li { margin-bottom: .8mm; }
@media screen { body { padding: 10mm 0; } }
"""

UNIT = {"1": "", "count": "", "deg": "°", "mm": " mm", "ct": " ct", "mm3": " mm³", "C": " °C"}
DIGITS = {"count": 0, "deg": 1, "1": 3, "ct": 3}
SMALL_SHARE = 0.1
"""Digits after the point, two in other units; a share under a tenth has one more, so that it keeps three figures."""

GENERAL = (
    "Eye protection for burs, gravers, files and torch; secure the piece and the hand.",
    "Ventilate soldering, pickle, burn-out and resin. Use cadmium-free solder. Acid goes into water; let hot metal cool in "
    "water before it goes into pickle.",
    "Investment powder holds crystalline silica: wear a respirator and clean up wet. Filing and polishing dust too.",
    "Uncured resin sensitises the skin: nitrile gloves, eye protection, full cure before handling.",
    "Claw ends are sharp until they are finished; a finished claw does not catch a cloth drawn over it.",
    "Set stones are small parts: not for children under three, and keep loose stones and tools away from children.",
    "Follow local law on nickel, lead, cadmium and hallmarking, and licensed practice; this sheet replaces neither.",
)
"""The usual cautions of the bench (common practice; silica, cadmium and acid after a college studio safety table and
published jewellers' safety guides)."""


def sheet_html(head: Head, findings: Sequence[Finding], rules: HouseRules) -> str:
    """The page as one HTML text without scripts, pictures or links to other files."""
    body = "".join([_top(head, findings), _views(head), _bench(head), _findings(findings), _cautions(head, rules),
                    _weights(head, rules), _plan(head)])
    return (f'<!doctype html>\n<html lang="en"><head><meta charset="utf-8"><title>Head for {escape(_stone(head))}</title>'
            f"<style>{STYLE}</style></head><body>{body}</body></html>\n")


def figure(value: float, unit: str) -> str:
    """A value with its unit as a setter reads it."""
    digits = DIGITS.get(unit, 2)
    if unit == "1" and SMALL_SHARE > abs(value) >= 0.0005:
        digits += 1
    text = f"{value:z.{digits}f}"
    return text.replace("-", "−") + UNIT.get(unit, f" {unit}")


def _stone(head: Head) -> str:
    size = f"{head.stone.length_mm:.2f}"
    if abs(head.stone.length_mm - head.stone.width_mm) > 0.005:
        size += f" × {head.stone.width_mm:.2f}"
    step = sieve(head.stone.width_mm) if head.stone.outline.is_one_piece else None
    return f"{head.stone.cut} {head.species.name}, {size} mm" + (f" (sieve {step.name})" if step else "")


def _top(head: Head, findings: Sequence[Finding]) -> str:
    plan = head.plan
    counts = Counter(finding.verdict for finding in findings)
    worst = next((verdict for verdict in VERDICTS if counts[verdict]), "sound")
    said = ", ".join(f"{counts[verdict]} {verdict}" for verdict in VERDICTS if counts[verdict])
    state = "as cast, before setting" if head.state == "cast" else "as set, after the setter's work"
    ring = f"; ring size {_ring(head)}" if head.spec.get("finger.size") else ""
    keys = [(figure(head.stone.depth_mm, "mm"), "stone, table to culet"),
            (f"{plan['stone_weight']:.2f} ct", f"stone, by volume{_fraction(head)}"),
            *_girdle(head),
            (figure(plan["girdle_plane"], "mm"), "girdle over the base"),
            (figure(plan["table_height"], "mm"), "table over the base"),
            *_holding_keys(plan), *_other_stones(head)]
    grid = "".join(f"<div><b>{escape(value)}</b><span>{escape(label)}</span></div>" for value, label in keys)
    return (f"<h1>Head for {escape(_stone(head))}</h1>"
            f'<p class="sub">{escape(head.alloy.name)}, {escape(head.process)}; drawn {state}{escape(ring)}. '
            f'Proof: <span class="verdict {worst}">{said or "no checks"}</span>.</p><div class="key">{grid}</div>')


def _ring(head: Head) -> str:
    """The ring size as given, and what it is called elsewhere."""
    system, size = head.spec.get("finger.system") or "iso", head.spec.get("finger.size")
    others = []
    for other in SYSTEMS:
        try:
            if other != system:
                others.append(f"{other} {nearest_size(other, inside_diameter_mm(system, size))}")
        except SpecError:
            continue  # that system does not go there
    return f"{size} ({system}), nearest to {', '.join(others)}"


def _fraction(head: Head) -> str:
    """The trade's name for a diamond of that weight."""
    name = fraction_name(head.plan["stone_weight"]) if head.species.name == "diamond" else None
    return f", called {name} ct" if name else ""


def _girdle(head: Head) -> list[tuple[str, str]]:
    """The girdle and its class, where the stone was made from proportions."""
    share = head.stone.figures.get("girdle")
    if share is None or head.stone.pavilion_depth_mm == 0.0:
        return []
    return [(figure(head.stone.girdle_mm, "mm"), f"girdle at its thickest, {girdle_class(share.value).name}")]


def _holding_keys(plan: Plan) -> list[tuple[str, str]]:
    """The figures of claws, or of a rim."""
    if "claw_count" in plan:
        return [(f"{plan['claw_count']:.0f} × {plan['claw_diameter']:.2f} mm", "claws"),
                (f"{100 * plan['claw_notch']:.0f} %", "notch in each claw"),
                (figure(plan["trim_length"], "mm"), "to cut off each claw"),
                *_tips(plan)]
    return [(figure(plan["rim_thickness"], "mm"), "rim"),
            (figure(plan["rim_height"], "mm"), "rim over the girdle's lower edge, as cast")]


def _plain_claws(plan: Plan) -> int:
    """How many claws are not V claws."""
    return round(plan["claw_count"] - (plan["v_claw_count"] if "v_claw_count" in plan else 0.0))


def _tips(plan: Plan) -> list[tuple[str, str]]:
    """How high finished tips stand; V claws cover more of the crown than others."""
    found = [(figure(plan["tip_height"], "mm"), "finished tips over the base")] if _plain_claws(plan) else []
    if "v_tip_height" in plan:
        found.append((figure(plan["v_tip_height"], "mm"), "folded V claws over the base"))
    return found


def _other_stones(head: Head) -> list[tuple[str, str]]:
    """Number, size and weight of the stones beside the centre's."""
    groups = list(stone_groups(head).items())[1:]
    return [(f"{len(stones)} × {stones[0].stone.length_mm:.2f} mm",
             f"{group}, {stones[0].species.name}, {sum(stone.weight_ct for stone in stones):.3f} ct in all")
            for group, stones in groups]


def _views(head: Head) -> str:
    side, scale = side_view(head, None)
    above, above_scale = plan_view(head, None)
    true_side, true_above = side_view(head, 1.0)[0], plan_view(head, 1.0)[0]
    bar = ('<svg id="check-bar" role="img" aria-label="50 mm check bar" width="50mm" height="5mm" viewBox="0 0 50 5">'
           '<path class="bar" d="M0 0H50V1.4H0Z"/><path class="bar" d="' + "".join(f"M{x} 0V3H{x + 0.2}V0Z"
                                                                                   for x in range(0, 50, 10))
           + 'M49.8 0V3H50V0Z"/></svg>')
    azimuth = claw_azimuth_deg(head)
    where = "" if head.stone.outline.is_one_piece else f" at {azimuth:.1f}° to the stone's length, with the lengths that it shows"
    if not is_claw_in_plane(head):
        where += ", the claw as far as it stays in this plane"
    return ("<h2>Drawings</h2>"
            f'<div class="views pair"><figure>{side}<figcaption>{section_title(head)}{where}, {scale:g} : 1. Lengths '
            'in mm.'
            f"</figcaption></figure><figure>{above}<figcaption>From above, {above_scale:g} : 1. Dashed: the metal at "
            "its base.</figcaption>"
            f'</figure></div><div class="views true"><figure>{true_side}<figcaption>Section, 1 : '
            '1</figcaption></figure>'
            f"<figure>{true_above}<figcaption>From above, 1 : 1</figcaption></figure>"
            f"<figure>{bar}<figcaption>This bar must measure 50 mm. If it does not, print again at 100 %, without "
            "fitting to the page."
            "</figcaption></figure></div>")


def _bench(head: Head) -> str:
    factor, scale = enlargement_of(head), head.plan["shrinkage"]
    cast = (f"cast.stl and cast.3mf are enlarged by {100 * (factor - 1):.2f} % for a linear shrinkage of "
            f"{100 * scale:.2f} %; "
            "head.stl and head.3mf are not. Enlarge only once." if factor != 1.0 else
            "No shrinkage is planned for: cast.stl and cast.3mf are as large as head.stl and head.3mf.")
    title = "At the bench" if head.state == "cast" else "At the bench, to get from the casting to what is drawn"
    steps = "".join(f"<li>{escape(step)}</li>" for step in _steps(head))
    return f"<h2>{title}</h2><ol>{steps}</ol><p>{escape(cast)}</p>"


def _steps(head: Head) -> list[str]:
    """What the setter does, in order. Common practice, no source; bevel bur and notch as the house rules."""
    plan = head.plan
    stands = f"until its lower girdle edge stands {plan['girdle_plane']:.2f} mm and its table {plan['table_height']:.2f} mm over the base"
    if head.spec.get("seat.cut"):
        seat = [f"The seat and the notches are in the model, with {plan['seat_clearance']:.2f} mm of room: clean "
                "them, do not deepen them. "
                f"The stone is down when its table stands {plan['table_height']:.2f} mm over the base."]
    else:
        choice = seat_bur(head.stone.width_mm)
        bur = f"{choice.bur.diameter_mm:.1f} mm ({choice.bur.designation})"
        seat = [
            (f"Setting bur {bur}" + (f"; {choice.remark}." if choice.remark else ".")
             if head.stone.outline.is_one_piece else
             f"Setting bur of {bur} or less, for the stone's width; lead it along the outline."),
            f"{_seat_start(plan)}; bed the stone {stands}."]
        if "claw_count" in plan:
            seat.append(f"Notch each claw at the girdle with a 90° bur, {100 * plan['claw_notch']:.0f} % of its "
                        f"{plan['claw_diameter']:.2f} mm: "
                        f"{plan['claw_notch'] * plan['claw_diameter']:.2f} mm deep, and never more than half.")
    return [*seat, *_closing(plan), *_small_steps(head),
            "The table stays level; no gap above or below the girdle; a cloth drawn over the metal does not catch."]


def _seat_start(plan: Plan) -> str:
    if plan.dimensions.get("bevel") is not None and plan["bevel"] > 0.0:
        return f"The bevel of {plan['bevel']:.2f} mm starts the seat"
    if "rim_height" in plan:
        return "The stone rests on the ledge inside the rim"
    return "The stone rests on the wall's top" if "wall_top" in plan else "The stone is held by its notches alone"


def _closing(plan: Plan) -> list[str]:
    """How the metal is closed over the crown."""
    if "claw_count" in plan:
        steps = []
        if "v_tip_height" in plan:
            steps.append("Fold both sides of each V claw over the facets beside its corner until they lie on "
                         f"{100 * plan['v_contact']:.0f} % of the crown's slope, {plan['v_tip_height']:.2f} mm over the base; "
                         "nothing presses on the point itself.")
        if _plain_claws(plan):
            each = "each other claw" if steps else "each claw"
            steps.append(f"Bend {each} over until it lies on {100 * plan['contact']:.0f} % of the crown's slope, cut off "
                         f"what is over, about {plan['trim_length']:.2f} mm, and finish its tip, {plan['tip_height']:.2f} mm "
                         "over the base.")
        return steps
    return [f"Push the rim of {plan['rim_thickness']:.2f} mm over the crown from opposite sides in turns, rub it down "
            "all round, and burnish its edge."]


def _small_steps(head: Head) -> list[str]:
    """What small and side stones ask for."""
    plan, steps = head.plan, []
    if head.surround is not None:
        steps.append(f"Surround: drop the {plan['surround_count']:.0f} small stones of {plan['surround_stone']:.2f} "
                     "mm into their seats, tables level, "
                     f"and push each bead down over both stones beside it, onto {100 * plan['surround_contact']:.0f} "
                     "% of their crowns.")
    if head.sides:
        own = head.sides[0].head.plan
        steps.append(f"Side stones of {plan['side_length']:.2f} × {plan['side_width']:.2f} mm: set each as the centre "
                     "stone, its lower girdle edge "
                     f"{own['girdle_plane']:.2f} mm over the base; the centre stone comes last.")
    return steps


def enlargement_of(head: Head) -> float:
    """The factor that cast files are enlarged by."""
    return enlargement(100.0 * head.plan["shrinkage"])


def _findings(findings: Sequence[Finding]) -> str:
    """What is not sound in full; what is sound as figures alone."""
    rows = []
    for finding in findings:
        if finding.verdict == "sound":
            continue
        place = "" if finding.place is None else ", ".join(f"{round(c, 1) + 0.0:.1f}".replace("-", "−") for c in finding.place)
        text = escape(finding.why) + _spread(finding) + (f"<br><b>{escape(finding.remedy)}</b>" if finding.remedy else "")
        rows.append(f'<tr><td class="verdict {finding.verdict}">{finding.verdict}</td><td>{escape(finding.what)}</td>'
                    f'<td class="n">{_measured(finding)}</td><td class="n">{_limit(finding)}</td><td class="n">{place}</td>'
                    f'<td>{text} <span class="src">{escape(finding.source)}</span></td></tr>')
    table = ('<table class="fixed proof"><thead><tr><th>verdict</th><th>what</th><th class="n">measured</th><th class="n">limit</th>'
             f'<th class="n">place</th><th>why</th></tr></thead><tbody>{"".join(rows)}</tbody></table>') if rows else ""
    return ('<h2>Proof</h2><p class="lead">Measured on the solid, worst first; places are x, y, z in mm from the axis in the base '
            f"plane, x along the stone.</p>{table}{_sound(findings)}")


def _sound(findings: Sequence[Finding]) -> str:
    """What is sound: the first of each kind, both ends of the sizes of stones that the metal takes, and agreement with the plan
    as one figure."""
    sound = [finding for finding in findings if finding.verdict == "sound"]
    agreed = sum(finding.code.startswith("plan.") for finding in sound)
    first = {finding.code: finding for finding in reversed(sound) if not finding.code.startswith("plan.")}
    kinds = [finding for finding in sound if first.get(finding.code) is finding or finding.code == SIZE]
    items = []
    for finding in kinds:
        limit = _limit(finding)
        figures = _measured(finding) + (f", limit {limit}" if limit else "")
        items.append(f"<li>{escape(finding.what)}{f': <b>{figures}</b>' if figures else ''}{_spread(finding)}</li>")
    if agreed:
        items.append(f"<li>Dimensions found on the solid as planned: <b>{agreed}</b></li>")
    return (f'<p class="lead">Sound; of like ones the first, all with their reasons and sources in proof.json:</p><ul class="sound-list">'
            f"{''.join(items)}</ul>") if items else ""


def _measured(finding: Finding) -> str:
    return "" if finding.measured is None else figure(finding.measured, finding.unit)


def _limit(finding: Finding) -> str:
    return "" if finding.limit is None else figure(finding.limit, finding.unit)


def _spread(finding: Finding) -> str:
    """What the tolerances make of a finding, as a line of its own; nothing where none were given."""
    if finding.spread is None:
        return ""
    return (f"<br>Within the tolerances at worst {figure(finding.spread.worst, finding.unit)}; sound in "
            f"{100 * finding.spread.share_sound:.0f} % of random draws.")


def _cautions(head: Head, rules: HouseRules) -> str:
    kind, alloy = head.species, head.alloy
    care = [("Torch", kind.heat), ("Ultrasonic", kind.ultrasonic), ("Steam", kind.steam), ("Boiling", kind.boil),
            ("Pickle and acids", kind.acid), ("Casting in place", kind.cast_in_place),
            ("Cleavage and toughness", f"{kind.cleavage}; {kind.toughness}")]
    stone = "".join(f"<tr><th>{label}</th><td>{escape(text)}</td></tr>" for label, text in care if text)
    metal = []
    if alloy.has_nickel:
        metal.append(f"{alloy.name} holds nickel: release to skin must stay at or below {rules.value('law.nickel_skin'):g} µg/cm² a week "
                     f"({rules['law.nickel_skin'].source}); warn the customer.")
    fineness = hallmark_fineness(alloy)
    if fineness:
        metal.append(f"Hallmark fineness {fineness}; in the UK compulsory above the legal weight of the whole piece, and elsewhere by local law.")
    metal.append(f"Lead below {rules.value('law.lead_most'):g} % and cadmium below {rules.value('law.cadmium_most'):g} % in each part "
                 f"({rules['law.lead_most'].source}; {rules['law.cadmium_most'].source}).")
    general = "".join(f"<li>{escape(text)}</li>" for text in (*metal, *GENERAL))
    return (f'<h2>Cautions</h2><div class="box"><p><b>{escape(kind.name.capitalize())}</b></p>'
            f"<table><tbody>{stone}</tbody></table>"
            f'<p class="src" style="margin:1mm 0 0">{escape(kind.source)}</p></div>'
            f'<div class="box" style="margin-top:2mm"><ul>{general}</ul></div>')


def _weights(head: Head, rules: HouseRules) -> str:
    by_name = {weight.alloy.name: weight for weight in metal_weights(head)}
    names = dict.fromkeys([head.alloy.name, *SHEET_ALLOYS])
    rows = []
    for name in names:
        weight = by_name[name]
        chosen = ' <span class="pin">chosen</span>' if name == head.alloy.name else ""
        needs = "yes" if needs_hallmark(weight.alloy, weight.head_g, rules) else "no"
        fine = f"{weight.alloy.fine_grams(weight.head_g):.2f}" if weight.alloy.is_precious else "–"
        rows.append(f'<tr><td>{escape(name)}{chosen}</td><td class="n">{weight.alloy.density_g_cm3:.2f}</td><td class="n">{weight.head_g:.2f}</td>'
                    f'<td class="n">{fine}</td><td class="n">{weight.melt_g:.2f}</td><td class="n">{needs}</td></tr>')
    return ('<div class="whole"><h2>Weights</h2><table><thead><tr><th>alloy</th><th class="n">density, g/cm³</th><th class="n">head, g</th>'
            '<th class="n">fine metal, g</th><th class="n">melt with sprue, g</th><th class="n">UK hallmark, head alone</th></tr></thead><tbody>'
            f"{''.join(rows)}</tbody></table></div>")


def _plan(head: Head) -> str:
    rows = []
    for each in head.plan:
        pin = ' <span class="pin">given</span>' if each.pinned else ""
        rows.append(f'<tr><td>{escape(each.name.replace("_", " "))}{pin}</td><td class="n">{figure(each.value, each.unit)}</td>'
                    f'<td>{escape(each.reason)} <span class="src">{escape(each.source)}</span></td></tr>')
    return ('<h2>Plan</h2><table class="fixed plan"><thead><tr><th>dimension</th><th class="n">value</th><th>why</th></tr></thead>'
            f"<tbody>{''.join(rows)}</tbody></table>")
