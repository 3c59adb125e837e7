"""What makes a release: one version, the archive, the store's rules, the badges in the README.

The store's rules are those of its `hacs.json` schema and of its action for integrations; the
links are those of the hub's own redirector. Both from stored copies of their documentation.
"""

import json
import re
import subprocess
import sys
import zipfile
from pathlib import Path
from urllib.parse import parse_qs, urlsplit

import custom_components.stillwell as package
import pytest
from awesomeversion import AwesomeVersion
from custom_components.stillwell.blueprint_files import SHIPPED
from homeassistant.components.blueprint.importer import GITHUB_FILE_PATTERN
from homeassistant.const import REQUIRED_PYTHON_VER
from homeassistant.util.yaml import load_yaml, parse_yaml

PACKAGE = Path(package.__file__).parent
ROOT = PACKAGE.parent.parent
MANIFEST = json.loads((PACKAGE / "manifest.json").read_text("utf-8"))
HACS = json.loads((ROOT / "hacs.json").read_text("utf-8"))
README = (ROOT / "README.md").read_text("utf-8")
BADGE = re.compile(r"\[!\[[^\]]+\]\((?P<image>[^)]+)\)\]\((?P<link>[^)]+)\)")
MY = "https://my.home-assistant.io"


def _workflow(name: str) -> dict[str, object]:
    loaded = parse_yaml((ROOT / ".github/workflows" / name).read_text("utf-8"))
    assert isinstance(loaded, dict)
    return loaded


def test_the_changelog_begins_with_this_version() -> None:
    newest = re.findall(r"^## (\S+)", (ROOT / "CHANGELOG.md").read_text("utf-8"), re.MULTILINE)
    assert newest[0] == MANIFEST["version"]
    assert newest == sorted(newest, key=AwesomeVersion, reverse=True)


def test_the_oldest_hub_is_told_once_and_everywhere_the_same() -> None:
    oldest = HACS["homeassistant"]
    # With the version the environment of script/test-oldest is checked against.
    assert f"homeassistant=={oldest}\n" in (ROOT / "script/pins-oldest.txt").read_text("utf-8")
    assert f"Needs Home Assistant {oldest} or newer" in README
    assert f"Needs Home Assistant {oldest} or newer" in (ROOT / "CHANGELOG.md").read_text("utf-8")
    for path in SHIPPED.glob("*.yaml"):
        asked = load_yaml(str(path))["blueprint"]["homeassistant"]["min_version"]
        assert AwesomeVersion(asked) <= AwesomeVersion(oldest), path.name
    # The code needs no newer Python than that hub brings.
    ours = re.search(r'requires-python = ">=([\d.]+)"', (ROOT / "pyproject.toml").read_text())
    assert ours is not None
    assert tuple(map(int, ours[1].split("."))) <= REQUIRED_PYTHON_VER


def test_the_store_finds_what_it_asks_for() -> None:
    # A release's archive has a name of its own, and the branch cannot be installed instead of it.
    assert HACS["zip_release"] is True
    assert HACS["filename"] == f"{MANIFEST['domain']}.zip"
    assert HACS["hide_default_branch"] is True
    assert {"codeowners", "documentation", "domain", "issue_tracker", "name", "version"} <= set(
        MANIFEST
    )
    assert (PACKAGE / "brand" / "icon.png").is_file()
    assert (ROOT / "LICENSE").read_text("utf-8").startswith("MIT License")
    assert HACS["render_readme"] is True
    assert README.startswith(f"# {MANIFEST['name']}\n")


def _pack(target: Path) -> None:
    script = ROOT / "script/release-archive"
    subprocess.run([sys.executable, script, target], check=True, capture_output=True)  # noqa: S603 - our own script


def test_the_archive_is_the_integration_and_nothing_else(tmp_path: Path) -> None:
    target = tmp_path / HACS["filename"]
    _pack(target)
    wanted = {
        path.relative_to(PACKAGE).as_posix(): path.read_bytes()
        for path in PACKAGE.rglob("*")
        if path.is_file() and path.suffix != ".pyc"
    }
    with zipfile.ZipFile(target) as archive:
        assert archive.testzip() is None
        found = {name: archive.read(name) for name in archive.namelist()}
    # The store unpacks it into the integration's folder: the manifest lies at its top.
    assert found == wanted
    assert json.loads(found["manifest.json"]) == MANIFEST
    again = tmp_path / "again.zip"
    _pack(again)
    assert again.read_bytes() == target.read_bytes()


def test_the_release_workflow_tests_first_and_names_the_archive() -> None:
    workflow = _workflow("release.yml")
    assert workflow["jobs"]["release"]["needs"] == "tests"
    assert workflow["jobs"]["tests"]["uses"] == "./.github/workflows/test.yml"
    runs = [step["run"] for step in workflow["jobs"]["release"]["steps"] if "run" in step]
    assert f"build/{HACS['filename']}" in runs[-1]
    commands = [
        step["run"]
        for job in _workflow("test.yml")["jobs"].values()
        for step in job["steps"]
        if "run" in step
    ]
    assert commands == [".ci/run", "script/test-oldest"]
    for command in (*commands, "script/release-archive"):
        assert (ROOT / command).stat().st_mode & 0o111, command


def _badges(kind: str) -> list[dict[str, list[str]]]:
    """Return what each badge of a kind asks the hub for."""
    found = [match for match in BADGE.finditer(README) if f"/redirect/{kind}/" in match["link"]]
    for match in found:
        assert match["image"] == f"{MY}/badges/{kind}.svg"
        assert match["link"].startswith(f"{MY}/redirect/{kind}/?")
    return [parse_qs(urlsplit(match["link"]).query, strict_parsing=True) for match in found]


def test_a_badge_adds_the_integration() -> None:
    assert _badges("config_flow_start") == [{"domain": [MANIFEST["domain"]]}]


def test_a_badge_opens_the_store_at_the_repository() -> None:
    owner, repository = urlsplit(MANIFEST["documentation"]).path.strip("/").split("/")
    wanted = {"owner": [owner], "repository": [repository], "category": ["integration"]}
    assert _badges("hacs_repository") == [wanted]


def test_a_badge_imports_each_blueprint() -> None:
    repository = urlsplit(MANIFEST["documentation"]).path.strip("/")
    paths = []
    for asked in _badges("blueprint_import"):
        (url,) = asked["blueprint_url"]
        # As the hub's import takes such an address apart.
        match = GITHUB_FILE_PATTERN.match(url)
        assert match is not None, url
        assert match["repository"] == repository
        branch, _, path = match["path"].partition("/")
        assert branch == "main"
        paths.append(ROOT / path)
    assert sorted(paths) == sorted(SHIPPED.glob("*.yaml"))
    # A link in the repository gives the import its own text instead of the file.
    for path in paths:
        assert path.is_file()
        assert not any(part.is_symlink() for part in (path, *path.parents))


@pytest.mark.parametrize("name", ["release.yml", "test.yml", "validate.yaml"])
def test_workflows_may_do_no_more_than_they_must(name: str) -> None:
    workflow = _workflow(name)
    assert workflow["permissions"] == {"contents": "read"}
    written = [job for job, what in workflow["jobs"].items() if what.get("permissions", {}) != {}]
    assert written == (["release"] if name == "release.yml" else [])
