"""Putting the unit and what belongs to it in place, and taking it away again; no file of anybody else is touched.

What was written is kept with its hash, so that a later run knows its own files and leaves those that were
changed since.
"""

from __future__ import annotations

import hashlib
import json
import os
import shutil
import subprocess
import sys
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

from lungfish.config import Site
from lungfish.errors import InstallError

__all__ = ["DROP_INS", "Installation"]

_UNITS = Path(__file__).parent.parent / "systemd"
_IN_UNIT = "/usr/local/lib/lungfish/bin/python"
_SITE_IN_UNIT = "/etc/lungfish/site.yaml"
_STATE = Path("/var/lib/lungfish")
_NOTES = Path("etc/lungfish/installed.json")
_UNSEEN = (Path("/home"), Path("/root"), Path("/run/user"), Path("/tmp"), Path("/var/tmp"))  # noqa: S108 - not written to
"""Where the service can't look: ProtectHome= and PrivateTmp=."""
DROP_INS = ("loopback", "serial", "gpio")
"""What may be added to the unit; see `systemd/lungfish.service.d/`."""


@dataclass(frozen=True, slots=True)
class Installation:
    """The service on one machine."""

    root: Path = Path("/")
    """Root of its file system; another than / is only filled, nothing is started there."""

    def make_state(self) -> None:
        """Make the directory that the store goes to: the site file is not sound without it.

        Raises:
            InstallError: nothing can be installed here.
        """
        self._must_be_able()
        (self.root / _STATE.relative_to("/")).mkdir(mode=0o750, parents=True, exist_ok=True)

    def install(self, site_file: Path, site: Site, drop_ins: Iterable[str] = ()) -> list[str]:
        """Write, enable and start.

        Args:
            site_file: the site file, checked.
            site: what it means.
            drop_ins: some of `DROP_INS`.

        Returns:
            What was done, a sentence each.

        Raises:
            InstallError: it can't be; nothing was written.
        """
        self._must_be_able()
        python = Path(sys.executable)
        for what, place in (("this Python", python), ("the site file", site_file.absolute())):
            if any(place.is_relative_to(unseen) for unseen in _UNSEEN):
                raise InstallError(
                    f"{what} is {place}, where the service can't look; install lungfish under /usr/local/lib/lungfish "
                    "and put the site file in /etc/lungfish"
                )
        if not site.store_path.is_relative_to(_STATE):
            raise InstallError(
                f"the store is {site.store_path}, which the service may not write; write `store: {{path: "
                f"{_STATE}/site.db}}` in {site_file}"
            )
        wanted = _wanted(python, site_file.absolute(), drop_ins)
        notes = self._notes()
        for name, text in wanted.items():
            self._must_be_ours(name, text, notes)
        for name, text in wanted.items():
            file = self.root / name
            file.parent.mkdir(parents=True, exist_ok=True)
            file.write_text(text, encoding="utf-8")
            notes[name] = _hash(text)
        for name in [each for each in notes if each not in wanted]:  # a drop-in of the last time
            self._take_away(name, notes.pop(name))
        self._keep_notes(notes)
        self._call("systemd-sysusers", *self._elsewhere(), "lungfish.conf")
        self._call("systemd-tmpfiles", "--create", *self._elsewhere(), "lungfish.conf")
        if self.root == Path("/"):
            self._call("systemctl", "daemon-reload")
            self._call("systemctl", "enable", "--no-block", "--now", "lungfish.service")
            last = "the service is enabled and being started: systemctl status lungfish, journalctl -u lungfish"
        else:
            self._call("systemctl", *self._elsewhere(), "enable", "lungfish.service")
            last = "the service is enabled; it starts when that root is booted"
        return [*(f"written: /{name}" for name in wanted), last]

    def remove(self) -> list[str]:
        """Stop, disable and take away what `install` wrote; site file, store and user stay.

        Returns:
            What was done, a sentence each.

        Raises:
            InstallError: it can't be, or was never installed.
        """
        self._must_be_able()
        notes = self._notes()
        if not notes:
            raise InstallError(f"lungfish was not installed as a service here: there is no {self.root / _NOTES}")
        if self.root == Path("/"):
            self._call("systemctl", "disable", "--now", "lungfish.service")
        else:
            self._call("systemctl", *self._elsewhere(), "disable", "lungfish.service")
        told = [self._take_away(name, hashed) for name, hashed in notes.items()]
        (self.root / _NOTES).unlink()
        if self.root == Path("/"):
            self._call("systemctl", "daemon-reload")
        return [*told, f"left as they are: the site file, {_STATE} with the readings, user lungfish"]

    def _must_be_able(self) -> None:
        if os.geteuid() != 0:
            raise InstallError("not root; say `sudo` before the command")
        if self.root == Path("/") and not Path("/run/systemd/system").is_dir():
            raise InstallError(
                "systemd does not run this machine; start `lungfish run` in the way of the service manager that does, "
                "and let it run `lungfish shut` after every end"
            )
        for program in ("systemctl", "systemd-sysusers", "systemd-tmpfiles"):
            if shutil.which(program) is None:
                raise InstallError(f"there is no {program}; on Debian: apt install systemd")

    def _must_be_ours(self, name: str, text: str, notes: dict[str, str]) -> None:
        file = self.root / name
        if not file.exists() and not file.is_symlink():
            return
        there = file.read_text(encoding="utf-8", errors="replace") if file.is_file() else ""
        if there != text and _hash(there) != notes.get(name):
            why = "was changed since lungfish wrote it" if name in notes else "was not written by lungfish"
            raise InstallError(f"{file} is in the way and {why}; move it away first. Nothing was written")

    def _take_away(self, name: str, hashed: str) -> str:
        file = self.root / name
        if not file.exists():
            return f"was gone already: /{name}"
        if _hash(file.read_text(encoding="utf-8", errors="replace")) != hashed:
            return f"left, for it was changed since: /{name}"
        file.unlink()
        if file.parent.name == "lungfish.service.d" and not any(file.parent.iterdir()):
            file.parent.rmdir()
        return f"removed: /{name}"

    def _notes(self) -> dict[str, str]:
        try:
            found = json.loads((self.root / _NOTES).read_text(encoding="utf-8"))
        except FileNotFoundError:
            return {}
        except (OSError, ValueError) as error:
            raise InstallError(f"{self.root / _NOTES}, which tells what was installed, can't be read") from error
        return {str(name): str(hashed) for name, hashed in found.items()}

    def _keep_notes(self, notes: dict[str, str]) -> None:
        file = self.root / _NOTES
        file.parent.mkdir(parents=True, exist_ok=True)
        file.write_text(json.dumps(notes, indent=2), encoding="utf-8")

    def _elsewhere(self) -> list[str]:
        return [] if self.root == Path("/") else [f"--root={self.root}"]

    def _call(self, *words: str) -> None:
        done = subprocess.run(words, capture_output=True, text=True, check=False)  # noqa: S603 - words of ours
        if done.returncode != 0:
            raise InstallError(f"`{' '.join(words)}` failed: {done.stderr.strip() or done.stdout.strip()}")


def _wanted(python: Path, site_file: Path, drop_ins: Iterable[str]) -> dict[str, str]:
    unit = (_UNITS / "lungfish.service").read_text(encoding="utf-8")
    wanted = {
        "etc/systemd/system/lungfish.service": unit.replace(_IN_UNIT, str(python)).replace(
            _SITE_IN_UNIT, str(site_file)
        ),
        "etc/sysusers.d/lungfish.conf": (_UNITS / "lungfish.sysusers.conf").read_text(encoding="utf-8"),
        "etc/tmpfiles.d/lungfish.conf": (_UNITS / "lungfish.tmpfiles.conf").read_text(encoding="utf-8"),
    }
    for name in drop_ins:
        text = (_UNITS / "lungfish.service.d" / f"{name}.conf").read_text(encoding="utf-8")
        wanted[f"etc/systemd/system/lungfish.service.d/{name}.conf"] = text
    return wanted


def _hash(text: str) -> str:
    return hashlib.sha256(text.encode()).hexdigest()
