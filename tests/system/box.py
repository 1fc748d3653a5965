"""The shipped unit under a real systemd, in an overlay of this machine: see `box.sh`."""

from __future__ import annotations

import functools
import os
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from tests.repo.house import ROOT
from tests.system.rigs import until

SCRIPT = Path(__file__).with_name("box.sh")
UNIT = ROOT / "systemd" / "lungfish.service"
INSTALLED = Path("usr/local/lib/lungfish")
_PYTHON = "/usr/local/lib/lungfish/bin/python"


@functools.cache
def why_not() -> str | None:
    """Why no systemd can be booted here; None when it can be tried."""
    if os.geteuid() != 0:
        return "not root"
    if not Path("/lib/systemd/systemd").exists() or shutil.which("systemd-sysusers") is None:
        return "the Debian package systemd is not installed"
    tried = subprocess.run(["unshare", "-m", "-p", "-u", "-i", "-C", "-f", "true"], capture_output=True, check=False)
    if tried.returncode != 0:
        return "namespaces are not allowed here"
    folder = tempfile.mkdtemp()
    try:
        tried = subprocess.run([SCRIPT, "mount", folder], capture_output=True, check=False)
        return None if tried.returncode == 0 else "an overlay can't be mounted here"
    finally:
        subprocess.run(["umount", "-R", folder], capture_output=True, check=False)
        os.rmdir(folder)


class Box:
    """An overlay with lungfish in it, and systemd once it is booted.

    Args:
        folder: where it is mounted.
    """

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.root = folder / "root"
        self._names: list[str] = []

    def place(self, name: str, site: str, drop_in: str) -> Path:
        """Put the shipped unit there under a name of its own, with its site file and what the test changes of it.

        Returns:
            Its state directory.
        """
        text = UNIT.read_text(encoding="utf-8")
        python = f"/{INSTALLED}/python/bin/python3.{sys.version_info.minor}"
        watched = f"tests.system.watched_run /etc/lungfish/site.yaml /var/lib/{name}"
        text = text.replace(_PYTHON, python).replace("lungfish run /etc/lungfish/site.yaml", watched)
        text = text.replace("/etc/lungfish/site.yaml", f"/etc/lungfish/{name}.yaml")
        text = text.replace("/run/lungfish/", f"/run/{name}/").replace("Directory=lungfish", f"Directory={name}")
        units = self.root / "etc" / "systemd" / "system"
        (units / f"{name}.service").write_text(text, encoding="utf-8")
        (units / f"{name}.service.d").mkdir()
        (units / f"{name}.service.d" / "test.conf").write_text(
            f"[Unit]\nDefaultDependencies=no\nAfter=\nWants=\n[Service]\nEnvironment={' '.join(self.environment())}\n"
            f"StandardError=append:/var/log/{name}.log\n"
            f"StandardOutput=append:/var/log/{name}.log\nLimitCORE=0\n{drop_in}",
            encoding="utf-8",
        )
        (self.root / "etc" / "lungfish").mkdir(exist_ok=True)
        (self.root / "etc" / "lungfish" / f"{name}.yaml").write_text(site, encoding="utf-8")
        self._names.append(name)
        return self.root / "var" / "lib" / name

    def environment(self) -> list[str]:
        """What a Python in the box needs to find lungfish."""
        packages = Path(subprocess.__file__).parent.name
        paths = f"/{INSTALLED}/src/daemon:/{INSTALLED}/src:/{INSTALLED}/venv/lib/{packages}/site-packages"
        return [f"PYTHONPATH={paths}", "PYTHONDONTWRITEBYTECODE=1", f"LD_LIBRARY_PATH=/{INSTALLED}/python/lib"]

    def main_process(self, name: str) -> int | None:
        """The process of a unit as this side of the wall numbers it; None when there is none, or not just one."""
        group = Path((self.folder / "group").read_text(encoding="utf-8").strip())
        try:
            found = (group / "system.slice" / f"{name}.service" / "cgroup.procs").read_text().split()
            (main,) = (each for each in found if b"watched_run" in Path(f"/proc/{each}/cmdline").read_bytes())
        except (OSError, ValueError):
            return None
        return int(main)

    def log(self, name: str) -> str:
        file = self.root / "var" / "log" / f"{name}.log"
        return file.read_text(encoding="utf-8") if file.exists() else ""

    @contextmanager
    def booted(self) -> Iterator[None]:
        """All units that were placed run while inside."""
        target = "[Unit]\nDefaultDependencies=no\nWants=" + " ".join(f"{name}.service" for name in self._names) + "\n"
        (self.root / "etc" / "systemd" / "system" / "box.target").write_text(target, encoding="utf-8")
        with (self.folder / "systemd.log").open("wb") as log:
            process = subprocess.Popen([SCRIPT, "boot", self.folder, "box.target"], stdout=log, stderr=log)
            try:
                until((self.folder / "group").exists, 10.0)
                yield
            finally:
                process.send_signal(signal.SIGKILL)
                process.wait()
                _wait_for_the_end(Path((self.folder / "group").read_text(encoding="utf-8").strip()))


def _wait_for_the_end(group: Path) -> None:
    deadline_s = time.monotonic() + 20.0
    while any(file.read_text().strip() for file in group.rglob("cgroup.procs")):
        assert time.monotonic() < deadline_s, "processes of the box live on"
        time.sleep(0.05)


@contextmanager
def box() -> Iterator[Box]:
    """An overlay that is gone afterwards."""
    folder = Path(tempfile.mkdtemp())
    subprocess.run([SCRIPT, "mount", folder], check=True)
    try:
        root = folder / "root"
        users = ROOT / "systemd" / "lungfish.sysusers.conf"
        subprocess.run(["systemd-sysusers", f"--root={root}", "--", users], check=True, capture_output=True)
        binds = {"python": Path(sys.base_prefix), "venv": Path(sys.prefix), "src": ROOT}
        for name, place in binds.items():
            (root / INSTALLED / name).mkdir(parents=True)
            subprocess.run(["mount", "--bind", place, root / INSTALLED / name], check=True)
        yield Box(folder)
    finally:
        subprocess.run([SCRIPT, "umount", folder], check=True)
        os.rmdir(folder)
