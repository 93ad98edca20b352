"""The page by https: a certificate and a key from the settings.

Owns the reading of the two files. Does not know what is served.
"""

from __future__ import annotations

import ssl

from daemon.config import Phone


class TlsError(Exception):
    """Certificate and key cannot be used; the text says why and what to do."""


def tls_of(phone: Phone) -> ssl.SSLContext | None:
    """The server's side of https; None where no certificate is set. Raises TlsError."""
    if not phone.certificate and not phone.key:
        return None
    if not phone.certificate or not phone.key:
        raise TlsError("phone.certificate and phone.key belong together: set both, or neither.")
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    try:
        # A key with a password is refused: nobody stands there to type it when a service starts.
        context.load_cert_chain(phone.certificate, phone.key, password=lambda: b"")
    except OSError as error:
        raise TlsError(
            f"The page's certificate {phone.certificate} with the key {phone.key} cannot be used "
            f"({error.strerror or error}). Give PEM files that belong together, can be read, and "
            "have no password."
        ) from None
    return context
