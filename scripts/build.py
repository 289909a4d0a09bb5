"""Build the extension: dist/seatwright-VERSION.zip, checked by Blender's own validator.

    python3 scripts/build.py                    one zip for every platform
    python3 scripts/build.py --split-platforms  and one smaller zip for each, in dist/by-platform/
"""

from __future__ import annotations

import _environment as environment  # first: it turns an older Python away

import argparse
import hashlib
import re
import shutil
import subprocess
import sys
import tomllib
from pathlib import Path

SHIPPED = ("__init__.py", "blender_manifest.toml", "LICENSE", "README.md", "core", "addon")
WHEELS = environment.REPOSITORY / "wheels"
DIST = environment.REPOSITORY / "dist"
STAGE = environment.REPOSITORY / "build"
# The distribution's Blender of the window tests runs on a Python that no official Blender has.
WINDOW_TEST_WHEEL = "./wheels/manifold3d-3.5.4-cp314-cp314-manylinux_2_27_x86_64.manylinux_2_28_x86_64.whl"


class BuildFailure(Exception):
    """The zip can't be built; the text is one sentence with the remedy."""


def build(split_platforms: bool = False) -> list[Path]:
    """The validated zips in dist/: the one for every platform first. Raises BuildFailure, EnvironmentFailure."""
    with environment.only_one("build"):
        manifest = (environment.REPOSITORY / "blender_manifest.toml").read_text(encoding="utf-8")
        source = stage("extension", manifest)
        zips = pack(source, DIST)
        return zips + (pack(source, DIST / "by-platform", "--split-platforms") if split_platforms else [])


def build_for_window_tests() -> Path:
    """A zip that also holds the kernel for the Python of the window tests' Blender; not for release."""
    with environment.only_one("build"):
        manifest = (environment.REPOSITORY / "blender_manifest.toml").read_text(encoding="utf-8")
        opening = "wheels = ["
        if manifest.count(opening) != 1:
            raise BuildFailure(f"blender_manifest.toml holds `{opening}` {manifest.count(opening)} times, once is needed")
        manifest = manifest.replace(opening, f'{opening}\n  "{WINDOW_TEST_WHEEL}",')
        return pack(stage("window-tests", manifest), STAGE / "window-tests-dist")[0]


def stage(name: str, manifest: str) -> Path:
    """A folder with nothing but what is shipped, so that no stray file of a working copy gets into the zip."""
    folder = STAGE / name
    shutil.rmtree(folder, ignore_errors=True)
    folder.mkdir(parents=True)
    for item in SHIPPED:
        source = environment.REPOSITORY / item
        if source.is_dir():
            shutil.copytree(source, folder / item, ignore=shutil.ignore_patterns("__pycache__"))
        elif source.is_file():
            shutil.copy2(source, folder / item)
        else:
            raise BuildFailure(f"{item} is missing in {environment.REPOSITORY}: the zip would not be whole")
    (folder / "blender_manifest.toml").write_text(manifest, encoding="utf-8")
    (folder / "wheels").mkdir()
    for wheel in tomllib.loads(manifest)["wheels"]:
        shutil.copy2(fetch_wheel(Path(wheel).name), folder / "wheels")
    return folder


def fetch_wheel(file_name: str) -> Path:
    """The wheel from wheels/, downloaded when it is missing; its bytes must have a hash that the core's lock lists."""
    wheel = WHEELS / file_name
    requirement = locked_requirement(file_name.split("-")[0])
    if not (wheel.is_file() and digest(wheel) in requirement):
        environment.say(f"   downloading {file_name}")
        WHEELS.mkdir(exist_ok=True)
        wanted = environment.CACHE / "wheel.txt"
        wanted.write_text(requirement, encoding="utf-8")
        python_tag, abi, platforms = file_name.removesuffix(".whl").split("-")[2:]
        options = [word for platform in platforms.split(".") for word in ("--platform", platform)]
        done = subprocess.run(
            [str(environment.python("core")), "-I", "-m", "pip", "download", "--no-deps", "--only-binary=:all:",
             "--no-input", "--require-hashes", "--disable-pip-version-check", "--progress-bar=off", "--python-version",
             python_tag.removeprefix("cp"), "--abi", abi, *options, "-d", str(WHEELS), "-r", str(wanted)],
            capture_output=True, text=True, check=False,
        )  # fmt: skip
        if done.returncode:
            raise BuildFailure(f"{file_name} was not downloaded: {environment.pip_failure(done.stdout + done.stderr)}")
    if not wheel.is_file():
        raise BuildFailure(f"the package index has no {file_name}: the manifest and scripts/locks/core.txt disagree")
    return wheel


def locked_requirement(package: str) -> str:
    """That package's lines of the core's lock: name, version and every hash."""
    lock = (environment.LOCKS / "core.txt").read_text(encoding="utf-8")
    found = re.search(rf"^{re.escape(package)}==(?:.*\\\n)*.*\n", lock, re.MULTILINE)
    if not found:
        raise BuildFailure(f"scripts/locks/core.txt does not lock {package}, which the manifest ships")
    return found.group()


def digest(path: Path) -> str:
    return hashlib.sha256(path.read_bytes()).hexdigest()


def pack(source: Path, target: Path, *options: str) -> list[Path]:
    """Zips of that folder, made and validated with Blender's own extension tool."""
    python = environment.first_blender("4.2", "5.2")
    tool, tags = extension_tool(python)
    valid_tags = f"--valid-tags={tags}"
    extension(python, tool, "the manifest is not valid", "validate", valid_tags, source)
    shutil.rmtree(target, ignore_errors=True)
    target.mkdir(parents=True)
    extension(python, tool, "the zip was not built", "build", "--source-dir", source, "--output-dir", target, valid_tags, *options)
    zips = sorted(target.glob("*.zip"))
    for path in zips:
        extension(python, tool, f"{path.name} is not valid", "validate", valid_tags, path)
    return zips


def extension_tool(python: Path) -> tuple[Path, Path]:
    """Blender's extension script and its list of allowed tags, beside the bpy module of that environment."""
    environment_folder = python.parent.parent
    tools = sorted(environment_folder.glob("**/bl_pkg/cli/blender_ext.py"))
    tags = sorted(environment_folder.glob("**/_bpy_internal/extensions/tags.py"))
    if len(tools) != 1 or len(tags) != 1:
        raise BuildFailure(f"{environment_folder} holds {len(tools)} extension tools and {len(tags)} lists of tags, one each is needed")
    return tools[0], tags[0]


def extension(python: Path, tool: Path, what_failed: str, *words: str | Path) -> None:
    """Run Blender's extension tool; a warning fails like an error, because the extension platform refuses both."""
    done = subprocess.run([str(word) for word in (python, tool, *words)], capture_output=True, text=True, check=False)
    said = done.stdout + done.stderr
    if done.returncode or "warning" in said.lower():
        raise BuildFailure(f"{what_failed}: {environment.last_line(said)}")


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--split-platforms", action="store_true", help="also write one zip for each platform")
    options = parser.parse_args()
    try:
        zips = build(options.split_platforms)
    except (BuildFailure, environment.EnvironmentFailure) as failure:
        environment.say(f"build.py: {failure}")
        return 1
    for path in zips:
        environment.say(f"{path.relative_to(environment.REPOSITORY)}  {path.stat().st_size / 1e6:.1f} MB")
    return 0


if __name__ == "__main__":
    sys.exit(main())
