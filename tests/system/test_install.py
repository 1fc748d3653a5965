"""`install-service` on a root with a systemd of its own: installed, at work, removed, nothing overwritten."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest
from tests.system.box import INSTALLED, Box, box
from tests.system.rigs import rig_for, until, write_site

from lungfish.app.installation import Installation
from lungfish.config import load_site
from lungfish.errors import InstallError

PATIENCE_S = 90.0
UNIT = Path("etc/systemd/system/lungfish.service")


def inside(the_box: Box, *words: str) -> subprocess.CompletedProcess[str]:
    """Run a command in the box, as root there."""
    group = Path((the_box.folder / "group").read_text(encoding="utf-8").strip())
    first = (group / "init.scope" / "cgroup.procs").read_text().split()[0]
    return subprocess.run(
        ["nsenter", "-t", first, "-a", "-r", "env", *the_box.environment(), *words],
        capture_output=True,
        text=True,
        check=False,
    )


def lungfish(the_box: Box, *words: str) -> subprocess.CompletedProcess[str]:
    python = f"/{INSTALLED}/python/bin/python3.{sys.version_info.minor}"
    return inside(the_box, python, "-m", "lungfish", *words)


def everything(root: Path) -> dict[Path, bytes]:
    """What stands in the folders that an installation writes to."""
    places = ("systemd/system", "sysusers.d", "tmpfiles.d", "lungfish")
    files = [file for place in places for file in (root / "etc" / place).rglob("*") if file.is_file()]
    return {file.relative_to(root): file.read_bytes() for file in files}


@pytest.mark.needs_systemd
@pytest.mark.timeout(400)
def test_installed_it_measures_and_removed_it_leaves_what_was_there(tmp_path: Path) -> None:
    site = write_site(tmp_path, every="10 s")
    with box() as the_box, rig_for(site) as rig:
        text = site.read_text(encoding="utf-8").replace("path: site.db", "path: /var/lib/lungfish/site.db")
        (the_box.root / "etc" / "lungfish").mkdir()
        (the_box.root / "etc" / "lungfish" / "site.yaml").write_text(text, encoding="utf-8")
        beside = the_box.root / "etc" / "systemd" / "system" / "lungfish.service.d"
        beside.mkdir()
        (beside / "own.conf").write_text(
            "[Service]\nEnvironment=" + " ".join(the_box.environment()) + "\n", encoding="utf-8"
        )
        with the_box.booted():
            before = everything(the_box.root)
            first = Path((the_box.folder / "group").read_text(encoding="utf-8").strip()) / "init.scope" / "cgroup.procs"
            until(lambda: first.exists() and first.read_text().strip() != "", PATIENCE_S)
            until(lambda: inside(the_box, "systemctl", "is-active", "box.target").stdout == "active\n", PATIENCE_S)
            done = lungfish(the_box, "install-service", "/etc/lungfish/site.yaml", "--with", "loopback")
            assert done.returncode == 0, done.stderr
            rig.wait_for_opening(2, within_s=PATIENCE_S)
            assert inside(the_box, "systemctl", "is-enabled", "lungfish").stdout == "enabled\n"
            status = inside(the_box, "systemctl", "show", "-p", "StatusText", "lungfish").stdout
            assert "nothing outside this computer is known to shut t0" in status
            again = lungfish(the_box, "install-service", "/etc/lungfish/site.yaml", "--with", "loopback")
            assert again.returncode == 0, again.stderr
            removed = lungfish(the_box, "install-service", "--remove")
            assert removed.returncode == 0, removed.stderr
            assert inside(the_box, "systemctl", "is-active", "lungfish").stdout.strip() in ("inactive", "unknown")
            until(lambda: rig.open_now() == [], PATIENCE_S)
            assert lungfish(the_box, "install-service", "--remove").returncode == 3
        assert everything(the_box.root) == before
        assert (the_box.root / "var" / "lib" / "lungfish" / "site.db").exists()


@pytest.fixture
def elsewhere(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A root of its own on which the system's own programs are not called."""
    monkeypatch.setattr("os.geteuid", lambda: 0)
    monkeypatch.setattr("shutil.which", lambda name: f"/usr/bin/{name}")
    monkeypatch.setattr("sys.executable", "/usr/local/lib/lungfish/bin/python")
    monkeypatch.setattr(Installation, "_call", lambda _self, *_words: None)
    return tmp_path / "root"


def install(root: Path, tmp_path: Path, *, site_at: str = "/etc/lungfish/site.yaml", store: str = "") -> list[str]:
    file = write_site(tmp_path, store=store or "/var/lib/lungfish/site.db")
    text = file.read_text(encoding="utf-8")
    file.write_text(text.replace("/var/lib/lungfish/site.db", "site.db"), encoding="utf-8")
    site = load_site(file)
    object.__setattr__(site, "store_path", Path(store or "/var/lib/lungfish/site.db"))  # it need not be there yet
    return Installation(root).install(Path(site_at), site)


@pytest.mark.parametrize("name", [UNIT, Path("etc/sysusers.d/lungfish.conf"), Path("etc/tmpfiles.d/lungfish.conf")])
def test_a_file_of_somebody_else_is_in_the_way_and_nothing_is_written(
    elsewhere: Path, tmp_path: Path, name: Path
) -> None:
    (elsewhere / name).parent.mkdir(parents=True)
    (elsewhere / name).write_text("mine", encoding="utf-8")
    with pytest.raises(InstallError, match=r"was not written by lungfish.*Nothing was written"):
        install(elsewhere, tmp_path)
    assert [file for file in elsewhere.rglob("*") if file.is_file()] == [elsewhere / name]


def test_a_unit_that_was_changed_is_neither_overwritten_nor_removed(elsewhere: Path, tmp_path: Path) -> None:
    install(elsewhere, tmp_path)
    (elsewhere / UNIT).write_text("changed", encoding="utf-8")
    with pytest.raises(InstallError, match="was changed since lungfish wrote it"):
        install(elsewhere, tmp_path)
    assert f"left, for it was changed since: /{UNIT}" in Installation(elsewhere).remove()
    assert (elsewhere / UNIT).read_text(encoding="utf-8") == "changed"
    assert [file for file in elsewhere.rglob("*") if file.is_file()] == [elsewhere / UNIT]


def test_an_older_unit_of_its_own_is_replaced(elsewhere: Path, tmp_path: Path) -> None:
    install(elsewhere, tmp_path)
    install(elsewhere, tmp_path, site_at="/etc/lungfish/other.yaml")
    assert "lungfish run /etc/lungfish/other.yaml" in (elsewhere / UNIT).read_text(encoding="utf-8")


def test_what_the_service_could_not_see_or_write_is_refused(elsewhere: Path, tmp_path: Path) -> None:
    with pytest.raises(InstallError, match="where the service can't look"):
        install(elsewhere, tmp_path, site_at=str(Path("/home") / "somebody" / "site.yaml"))
    with pytest.raises(InstallError, match="which the service may not write"):
        install(elsewhere, tmp_path, store="/usr/local/site.db")
    assert not elsewhere.exists()


def test_without_root_or_systemd_one_sentence_says_so(
    elsewhere: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("shutil.which", lambda _name: None)
    with pytest.raises(InstallError, match="apt install systemd"):
        install(elsewhere, tmp_path)
    monkeypatch.setattr("os.geteuid", lambda: 1000)
    with pytest.raises(InstallError, match="not root"):
        install(elsewhere, tmp_path)
