"""What casting and the finger ask of the head."""
from __future__ import annotations

from ...dimension import COMMON, GIVEN, Dimension
from ...trade.ring_sizes import inside_diameter_mm
from ..draft import KEPT, PINNABLE, Draft

PRINTED = "direct metal print"
"""The process without a casting, and so without its shrinkage."""


def plan_casting(draft: Draft) -> None:
    """Shrinkage from model to casting."""
    metal = draft.metal
    if draft.process == PRINTED:
        percent, reason, source = 0.0, "Printed metal is scaled by the printing service, so the files stay as modelled.", COMMON
    else:
        percent, source = metal.shrinkage_percent, metal.making_source
        reason = f"Linear, from the model to the casting in {metal.name}; calibrate it with a test ring."
    given = draft.spec.get(PINNABLE["shrinkage"])
    if given is not None:
        percent, reason, source = given, KEPT, GIVEN
    draft.all["shrinkage"] = Dimension("shrinkage", percent / 100.0, "1", reason, source, given is not None)


def plan_finger(draft: Draft) -> None:
    """The finger below, where its size is given."""
    size = draft.spec.get("finger.size")
    if size is None:
        return
    system = draft.spec.get("finger.system") or "iso"
    at = draft.all
    draft.derive("finger_diameter", inside_diameter_mm(system, size), "mm",
                 f"Inside diameter of ring size {size} ({system}).", "the system's own definition, see the ring size table")
    draft.derive("finger_clearance", at["culet_clearance"].value, "mm",
                 "From the culet to the finger, with the base plane lying on the finger at its highest line.")
    draft.derive("height_over_finger", at["table_height"].value, "mm",
                 "From the finger to the table, with the base plane lying on the finger at its highest line.")
