"""Every tolerance, sized for jewellery, with what goes wrong if it is larger."""

PLANAR_MM = 1e-9
"""How far a corner of a stone's facet may lie off its plane. Larger: facets bend and reflections smear."""

SAME_POINT_MM = 1e-6
"""Points nearer than this are one point after welding. Larger: melee facets of 0.02 mm collapse."""

WELD_MM = 2e-6
"""Points that a reader of binary STL takes for one: float32 keeps no more at 32 mm. Larger: no reader does so, and
the thin triangles along a cut seat pinch shut."""

SLIVER_MM = 4e-5
"""Edges shorter than this are taken out of a cut solid. Smaller: welding pinches slivers shut; larger: seats drift."""

OVERLAP_MM = 0.01
"""By how much parts that join reach into each other. Larger: the joint shows at the bench."""

CHORD_MM = 0.005
"""Default chord error of a curved surface. Larger: facets show after polishing, weight drifts."""

READ_MM = 0.0035
"""How finely the proof reads a length: by two thirds of the default chord a faceted bar is narrower across its flats
than the circle of its area. Larger: thin sections pass."""

READ_SHARE = 0.002
"""How finely the proof reads a share. Larger: a notch past its limit passes."""

READ_DEG = 0.01
"""How finely the proof reads an angle. Larger: a stone that leans passes."""
