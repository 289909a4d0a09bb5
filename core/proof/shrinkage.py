"""What cooling takes of the casting, said in words, and whether a file is enlarged for it."""
from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from ..trade.casting import enlargement
from .findings import Finding
from .subject import Subject


def told_shrinkage(subject: Subject) -> Iterator[Finding]:
    """By how much metal cast from a model as large as drawn would come out too small: nothing where none is poured or
    none is planned for. The share is that of the plan, where there is one, else the alloy's own."""
    if not subject.is_poured:
        return
    plan, alloy = subject.plan, subject.alloy
    percent, source = alloy.shrinkage_percent, alloy.making_source
    if plan is not None:
        percent, source = 100.0 * plan["shrinkage"], plan.dimension("shrinkage").source
    if percent <= 0.0:
        return
    longest = float(np.ptp(subject.surface.vertices, axis=0).max(initial=0.0))
    more = f"by {100.0 * (enlargement(percent) - 1.0):.3g} % for it"
    larger = (f"This metal is as large as it will be worn: enlarge it once, {more}." if plan is None else
              f"The files for the caster, cast.stl and cast.3mf, are enlarged {more}; no other may be cast without that, and "
              "none twice.")
    why = (f"From the model to the casting {alloy.name} shrinks by {percent:.3g} %: of a model as large as drawn, "
           f"{longest:.2f} mm at its longest, {longest * percent / 100.0:.2f} mm would be missing. {larger}")
    yield Finding("casting.shrinkage", "Shrinkage", "sound", None, None, "", None, why, "", source)
