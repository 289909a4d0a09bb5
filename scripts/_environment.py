"""Virtual environments that hold exactly what a lock file says; standard library only.

    environment.python("test")               the Python of .venv-test-py3.11, made when it is missing or stale
    environment.python("core", "3.13")       the same, on a Python of that version wherever this machine keeps one
    environment.blender("5.2")               the Python whose bpy module is that Blender
    environment.enter("core")                start the running script again inside that environment

The lock files in scripts/locks hold names, versions and hashes; pip refuses whatever differs. Several scripts may
run at once: each environment is made by one of them while the others wait.
"""

from __future__ import annotations

import contextlib
import functools
import hashlib
import os
import re
import shutil
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

REPOSITORY = Path(__file__).resolve().parent.parent
LOCKS = REPOSITORY / "scripts" / "locks"
CACHE = REPOSITORY / ".cache"

OLDEST_PYTHON = (3, 11)
if sys.version_info < OLDEST_PYTHON:  # at import, because what the scripts import next needs that Python, too
    sys.exit(
        "This is Python %d.%d; %d.%d or newer is needed: start the script with a newer python3"
        % (*sys.version_info[:2], *OLDEST_PYTHON)
    )
# Each Blender that the extension is driven in, and the Python it needs.
BLENDERS = {"4.2": "3.11", "4.5": "3.11", "5.0": "3.11", "5.2": "3.13"}
# Space that an environment takes while pip unpacks it, in gigabytes, so that a full disk is named before the download.
SPACE_GB = {"blender": 2.5, "bench": 2.0, "test": 2.0}
SPACE_GB_OTHER = 0.8

# What pip says, and the sentence for it.
PIP_FAILURES = (
    (r"No space left on device|Errno 28", "the disk is full: free some space and start the script again"),
    (
        r"NewConnectionError|Could not fetch URL|NameResolutionError|Name or service not known|Temporary failure in name resolution|"
        r"ConnectTimeout|ReadTimeout|Network is unreachable|Connection refused|ProxyError|ConnectionResetError",
        "the package index was not reached: check the network and start the script again",
    ),
    (r"CERTIFICATE_VERIFY_FAILED|SSLError", "the package index's certificate was not accepted: check pip's `cert` setting"),
    (r"DO NOT MATCH THE HASHES", "a downloaded package differs from the lock: it was changed on its way, or the lock is stale"),
    (r"No matching distribution found|Could not find a version", "a locked package has no wheel for this Python and platform"),
)


class EnvironmentFailure(Exception):
    """An environment can't be had here; the text is one sentence with the remedy."""


def say(text: str) -> None:
    print(text, flush=True)


def python(purpose: str, version: str | None = None) -> Path:
    """The Python of the environment for `purpose` (a lock file's name), made or mended first.

    `version` such as "3.13" asks for that Python; without it, the one that runs this script.
    Raises EnvironmentFailure.
    """
    base = Path(sys.executable) if version is None else interpreter(version)
    series = version or f"{sys.version_info.major}.{sys.version_info.minor}"
    lock = LOCKS / f"{purpose}.txt"
    folder = REPOSITORY / f".venv-{purpose}-py{series}"
    stamp = folder / ".lock-sha256"
    wanted = hashlib.sha256(lock.read_bytes()).hexdigest()
    with only_one(folder.name):
        if not (stamp.is_file() and stamp.read_text(encoding="ascii") == wanted and runs(executable(folder))):
            make(folder, base, lock, purpose)
            stamp.write_text(wanted, encoding="ascii")
    return executable(folder)


def blender(series: str) -> Path:
    """The Python of the environment whose bpy module is that Blender. Raises EnvironmentFailure."""
    return python(f"blender-{series}", BLENDERS[series])


def first_blender(*order: str) -> Path:
    """The first Blender of that order whose Python this machine has. Raises EnvironmentFailure when it has none."""
    missing = []
    for series in order:
        try:
            interpreter(BLENDERS[series])
        except EnvironmentFailure as failure:
            missing.append(str(failure))
        else:
            return blender(series)
    raise EnvironmentFailure("; ".join(dict.fromkeys(missing)))


def enter(purpose: str) -> None:
    """Start the running script again inside the environment for `purpose`, unless it already runs there."""
    inside = guarded(python, purpose)
    if Path(sys.prefix).resolve() == inside.parent.parent.resolve():
        return
    command = [str(inside), str(Path(sys.argv[0]).resolve()), *sys.argv[1:]]
    if os.name == "nt":  # there execv would give the console back before the script ends
        sys.exit(subprocess.run(command, check=False).returncode)
    sys.stdout.flush()
    os.execv(command[0], command)


def guarded(make_it, *arguments):  # type: ignore[no-untyped-def]
    """Call, and leave with a sentence instead of a traceback when an environment can't be had."""
    try:
        return make_it(*arguments)
    except EnvironmentFailure as failure:
        sys.exit(f"{Path(sys.argv[0]).name}: {failure}")


def make(folder: Path, base: Path, lock: Path, purpose: str) -> None:
    need_gb = SPACE_GB.get(purpose.split("-")[0], SPACE_GB_OTHER)
    free_gb = shutil.disk_usage(REPOSITORY).free / 1e9
    if free_gb < need_gb:
        raise EnvironmentFailure(
            f"{folder.name} needs {need_gb:.1f} GB and {free_gb:.1f} GB are free on the disk of {REPOSITORY}: free some space"
        )
    started = time.monotonic()
    say(f"   making {folder.name} from scripts/locks/{lock.name}")
    shutil.rmtree(folder, ignore_errors=True)
    made = subprocess.run([str(base), "-I", "-m", "venv", str(folder)], capture_output=True, text=True, check=False)
    if made.returncode:
        shutil.rmtree(folder, ignore_errors=True)
        words = made.stdout + made.stderr
        remedy = "; install the package python3-venv" if "ensurepip is not available" in words else ""
        raise EnvironmentFailure(f"{base} can't make the virtual environment {folder} ({last_line(words)}){remedy}")
    install(folder, lock)
    say(f"   {folder.name} is ready ({time.monotonic() - started:.0f} s)")


def install(folder: Path, lock: Path) -> None:
    # --no-deps: the lock is complete, and what it leaves out must stay out.
    command = [str(executable(folder)), "-I", "-m", "pip", "install", "--no-input", "--no-deps", "--require-hashes",
               "--only-binary=:all:", "--disable-pip-version-check", "--progress-bar=off", "-r", str(lock)]  # fmt: skip
    CACHE.mkdir(exist_ok=True)
    log = CACHE / f"{folder.name}.log"
    with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True) as pip:
        assert pip.stdout is not None
        lines = []
        for line in pip.stdout:
            lines.append(line)
            if re.match(r"\s*(Downloading|Installing)\b.*\b([0-9.]+ MB|packages:)", line):
                say(f"      {line.strip()[:110]}")
    log.write_text("".join(lines), encoding="utf-8")
    if pip.returncode:
        shutil.rmtree(folder, ignore_errors=True)
        raise EnvironmentFailure(f"{folder.name} was not installed: {pip_failure(''.join(lines))} (pip's words: {log})")


def pip_failure(words: str) -> str:
    for pattern, sentence in PIP_FAILURES:
        if re.search(pattern, words):
            return sentence
    return last_line(words)


def last_line(words: str) -> str:
    lines = [line.strip() for line in words.splitlines() if line.strip()]
    return lines[-1] if lines else "no message"


def executable(folder: Path) -> Path:
    return folder / ("Scripts/python.exe" if os.name == "nt" else "bin/python")


@functools.cache
def interpreter(version: str) -> Path:
    """A Python of that series ("3.13") on this machine. Raises EnvironmentFailure when there is none that starts."""
    for candidate in candidates(version):
        if runs(candidate, version):
            return candidate
    raise EnvironmentFailure(
        f"Python {version} was not found: not on PATH as python{version}, not from pyenv, not from uv; install it to run this part"
    )


def candidates(version: str) -> Iterator[Path]:
    yield Path(sys.executable)
    on_path = shutil.which(f"python{version}")
    if on_path:
        yield Path(on_path)
    pyenv = Path(os.environ.get("PYENV_ROOT", Path.home() / ".pyenv"))
    yield from sorted((pyenv / "versions").glob(f"{version}*/bin/python3"), reverse=True)
    if os.name == "nt":
        local = Path(os.environ.get("LOCALAPPDATA", Path.home() / "AppData" / "Local"))
        yield local / "Programs" / "Python" / f"Python{version.replace('.', '')}" / "python.exe"
        yield from sorted((Path(os.environ.get("APPDATA", local)) / "uv" / "python").glob(f"cpython-{version}*/python.exe"))
    else:
        data = Path(os.environ.get("XDG_DATA_HOME", Path.home() / ".local" / "share"))
        yield from sorted((data / "uv" / "python").glob(f"cpython-{version}*/bin/python3"), reverse=True)


def runs(candidate: Path, version: str | None = None) -> bool:
    """Whether that Python starts (a shim may not) and, when a version is named, is of that series."""
    probe = "import sys; print('%d.%d' % sys.version_info[:2])"
    try:
        answer = subprocess.run([str(candidate), "-I", "-c", probe], capture_output=True, text=True, check=False)
    except OSError:
        return False
    return answer.returncode == 0 and version in (None, answer.stdout.strip())


@contextlib.contextmanager
def only_one(name: str) -> Iterator[None]:
    """Hold a lock that the system gives back even when the holder dies; says so while it waits for another script."""
    CACHE.mkdir(exist_ok=True)
    with (CACHE / f"{name}.lock").open("a+b") as handle:
        waiting_said = False
        while not try_lock(handle.fileno()):
            if not waiting_said:
                say(f"   another script is at {name}; waiting for it")
                waiting_said = True
            time.sleep(0.5)
        yield  # closing the file gives the lock back


def try_lock(descriptor: int) -> bool:
    try:
        if os.name == "nt":
            import msvcrt

            os.lseek(descriptor, 0, os.SEEK_SET)
            msvcrt.locking(descriptor, msvcrt.LK_NBLCK, 1)  # type: ignore[attr-defined,unused-ignore]
        else:
            import fcntl

            fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError:
        return False
    return True
