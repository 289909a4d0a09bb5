"""Seatwright's core: from a stone's measurements to a proven head, without Blender."""
