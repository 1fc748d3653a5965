"""TLS for a Modbus TCP connection: who the other end must prove to be, and who we are.

The frames inside are those of Modbus TCP (MODBUS/TCP Security Protocol Specification, V2.1; from memory).
"""

from __future__ import annotations

import ssl

from lungfish.config.link_model import TlsSpec
from lungfish.errors import DeviceAbsent

__all__ = ["NamedContext", "tls_context"]


class NamedContext(ssl.SSLContext):
    """Asks for one name whatever the library passes on, which knows no other than the host."""

    server_name: str
    """The name that the other end's certificate must hold."""

    def wrap_bio(
        self,
        incoming: ssl.MemoryBIO,
        outgoing: ssl.MemoryBIO,
        server_side: bool = False,
        server_hostname: str | bytes | None = None,
        session: ssl.SSLSession | None = None,
    ) -> ssl.SSLObject:
        """As in the base class, with our own name to ask for."""
        del server_hostname
        return super().wrap_bio(incoming, outgoing, server_side, self.server_name, session)


def tls_context(spec: TlsSpec, host: str, label: str) -> NamedContext:
    """What a connection is made with. Files are read anew each time, for certificates are renewed.

    Args:
        spec: what the site file says.
        host: the link's host.
        label: what messages call the link.

    Raises:
        DeviceAbsent: A file can't be read, or is not what it should be.
    """
    context = NamedContext(ssl.PROTOCOL_TLS_CLIENT)
    context.minimum_version = ssl.TLSVersion.TLSv1_2
    context.server_name = spec.server_name or host
    try:
        if spec.ca is None:
            context.load_default_certs()
        else:
            context.load_verify_locations(spec.ca)
        if spec.certificate is not None:
            context.load_cert_chain(spec.certificate, spec.key)
    except (OSError, ssl.SSLError) as error:
        files = ", ".join(str(file) for file in (spec.ca, spec.certificate, spec.key) if file is not None)
        raise DeviceAbsent(f"{label}: {files}: {error}; look at the files under `tls`") from error
    return context
