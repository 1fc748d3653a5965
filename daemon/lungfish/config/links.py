"""From a link's form to what it means, and whether the links of a site agree."""

from __future__ import annotations

import os
import re
from collections.abc import Mapping
from pathlib import Path
from typing import Final, cast, get_args

from pydantic import ValidationError

from lungfish.config.document import KeyPath
from lungfish.config.link_forms import (
    GpioForm,
    LinkForms,
    ModbusRtuForm,
    ModbusRtuTcpForm,
    ModbusTcpForm,
    SerialTextForm,
    TlsForm,
)
from lungfish.config.link_model import (
    GpioLinkSpec,
    LinkSpec,
    ModbusRtuLinkSpec,
    ModbusRtuTcpLinkSpec,
    ModbusTcpLinkSpec,
    Parity,
    RtuLinkSpec,
    SerialSettings,
    SerialTextLinkSpec,
    TlsSpec,
)
from lungfish.config.report import Report
from lungfish.core.plan import SILENCE_S

__all__ = ["build_link", "check_carries_modbus", "check_links", "link_forms"]

_PORT: Final = 502
_BROADCAST: Final = 0
_LAST_UNIT: Final = 247
"""MODBUS over Serial Line V1.02, section 2.2: 0 is the broadcast address, 1 to 247 devices, the rest reserved."""
_TLS_PORT: Final = 802
"""MODBUS/TCP Security, section 2 (from memory): mbap/TLS has port 802."""


def link_forms(data: object) -> list[tuple[str, LinkForms | None]]:
    """The links of a file, each checked alone; None for one that is wrong in itself, which is told elsewhere.

    Args:
        data: the section `links`.
    """
    return [(name, _sound(section)) for name, section in data.items()] if isinstance(data, dict) else []


def _sound(section: object) -> LinkForms | None:
    kind = section.get("kind") if isinstance(section, dict) else None
    for form in get_args(LinkForms):
        if kind in get_args(form.model_fields["kind"].annotation):
            try:
                return cast(LinkForms, form.model_validate(section))
            except ValidationError:
                return None
    return None


def build_link(name: str, form: LinkForms, base: Path, report: Report) -> LinkSpec:
    """Settle one link.

    Args:
        name: in the site file.
        form: the link's section.
        base: directory that file names start from.
        report: where findings go.
    """
    path: KeyPath = ("links", name)
    if isinstance(form, GpioForm):
        return GpioLinkSpec(name=name, chip=form.chip)
    if isinstance(form, ModbusTcpForm):
        port = form.port or (_PORT if form.tls is None else _TLS_PORT)
        if form.port is None:
            report.assume((*path, "port"), str(port))
        _assume_timeout(path, form, report)
        tls = None if form.tls is None else _tls((*path, "tls"), form.tls, base, report)
        return ModbusTcpLinkSpec(name=name, host=form.host, port=port, timeout_s=form.timeout, tls=tls)
    if isinstance(form, ModbusRtuTcpForm):
        _assume_timeout(path, form, report)
        return ModbusRtuTcpLinkSpec(
            name=name, host=form.host, port=form.port, timeout_s=form.timeout, turn_round_s=form.turn_round
        )
    serial = _serial(path, form, report)
    _assume_timeout(path, form, report)
    if isinstance(form, SerialTextForm):
        return SerialTextLinkSpec(name=name, serial=serial, timeout_s=form.timeout)
    return ModbusRtuLinkSpec(name=name, serial=serial, timeout_s=form.timeout, turn_round_s=form.turn_round)


def _assume_timeout(
    path: KeyPath, form: ModbusTcpForm | ModbusRtuForm | ModbusRtuTcpForm | SerialTextForm, report: Report
) -> None:
    if "timeout" not in form.model_fields_set:
        report.assume((*path, "timeout"), f"{form.timeout * 1000:.0f} ms")


def _serial(path: KeyPath, form: ModbusRtuForm | SerialTextForm, report: Report) -> SerialSettings:
    for key in ("baud", "parity", "stop_bits"):
        if key not in form.model_fields_set:
            report.assume((*path, key), str(getattr(form, key)))
    if re.fullmatch(r"/dev/tty(USB|ACM)[0-9]+", form.port):
        report.warn(
            (*path, "port"),
            "adapters may change such names when they are plugged in or the computer starts: two of them exchanged are "
            "tanks exchanged",
            "write the name under `/dev/serial/by-id` or `/dev/serial/by-path`, or one of a rule for udev",
        )
    return SerialSettings(
        port=form.port,
        baud=form.baud,
        parity=Parity(form.parity),
        stop_bits=form.stop_bits,
        data_bits=form.data_bits if isinstance(form, SerialTextForm) else 8,
    )


def _tls(path: KeyPath, form: TlsForm, base: Path, report: Report) -> TlsSpec:
    if form.key is not None and form.certificate is None:
        report.error((*path, "key"), "there is a key and no certificate", "add `certificate`, or delete `key`")
    files = {}
    for key in ("ca", "certificate", "key"):
        written = getattr(form, key)
        files[key] = None if written is None else Path(os.path.abspath(base / written))
        if files[key] is not None and not os.path.isfile(files[key] or ""):
            report.error((*path, key), f"there is no file `{files[key]}`", "name a file in PEM format")
    return TlsSpec(**files, server_name=form.server_name)


def check_carries_modbus(path: KeyPath, link: LinkSpec | None, unit: int, report: Report) -> None:
    """Whether a link can carry a Modbus request to a unit.

    Args:
        path: of the section that names both.
        link: the link; None for one that is not there or wrong in itself, which is told elsewhere.
        unit: Modbus unit id.
        report: where findings go.
    """
    if isinstance(link, GpioLinkSpec):
        report.error((*path, "link"), f"`{link.name}` is a chip with pins", "name a Modbus link, or write `line`")
    elif isinstance(link, SerialTextLinkSpec):
        report.error((*path, "link"), f"`{link.name}` carries text, no registers and no coils", "name a Modbus link")
    elif isinstance(link, RtuLinkSpec):
        if unit == _BROADCAST:
            report.error(
                (*path, "unit"),
                "on a serial line 0 calls all devices at once, and none of them answers",
                f"write the device's own address, 1 to {_LAST_UNIT}",
            )
        elif unit > _LAST_UNIT:
            report.warn(
                (*path, "unit"),
                f"on a serial line the addresses above {_LAST_UNIT} are reserved",
                f"give the device an address from 1 to {_LAST_UNIT}",
            )


def check_links(links: Mapping[str, LinkSpec | None], report: Report) -> None:
    """Check links against each other.

    Args:
        links: by name; None for one that is wrong in itself, which is told elsewhere.
        report: where findings go.
    """
    seen: dict[tuple[object, ...], str] = {}
    for name, link in links.items():
        if link is None:
            continue
        if link.timeout_s >= SILENCE_S:
            report.warn(
                ("links", name, "timeout"),
                f"with a valve open, {SILENCE_S:g} s of silence end the reading, before one lost answer is given up on",
                f"write less than {SILENCE_S:g} s; 500 ms is usual on a local network",
            )
        first = seen.setdefault(link.place, name)
        if first == name:
            continue
        if isinstance(link, ModbusTcpLinkSpec):
            report.warn(
                ("links", name),
                f"`{first}` connects to the same host and port",
                f"use `{first}` for all of it: many devices take few connections",
            )
        else:
            report.error(
                ("links", name),
                f"`{first}` is on the same port",
                f"use `{first}` for all of it: two owners of one line would talk at once",
            )
