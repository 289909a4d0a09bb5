"""What to change: the smallest change that makes one finding sound, and the least of changes that makes the head so."""
from .remedy import Remedy, solve_remedies, solve_remedy
from .sound import Change, Collision, make_sound
from .trial import Progress

__all__ = ["Change", "Collision", "Progress", "Remedy", "make_sound", "solve_remedies", "solve_remedy"]
