"""`python -m core`."""
import sys

try:
    from .cli import main
except ImportError as error:
    print(f"{error}: the head needs numpy and manifold3d; install them for {sys.executable}.", file=sys.stderr)
    raise SystemExit(2) from None
except KeyboardInterrupt:
    print("Stopped by the user; nothing was written.", file=sys.stderr)
    raise SystemExit(2) from None

if __name__ == "__main__":
    raise SystemExit(main())
