"""TLS to a broker: whom we believe, how we show who we are, and what it says where it does not come about."""

import ssl
from pathlib import Path

from daq.publish.errors import BrokerError, BrokerRefusesError


class _Socket(ssl.SSLSocket):
    """Is closed at once where the handshake fails: the MQTT library leaves that to the garbage collector, and a daemon
    that tries again for days would run out of files. What breaks a connection is kept, since the library drops it: a
    broker looks at our certificate when we believe to be in already (RFC 8446, 4.4.2.4)."""

    context: "Tls"

    def do_handshake(self, block: bool = False) -> None:
        try:
            super().do_handshake(block)
        except BaseException:
            self.close()
            raise

    def recv(self, buflen: int = 1024, flags: int = 0) -> bytes:
        try:
            return super().recv(buflen, flags)
        except (ssl.SSLWantReadError, ssl.SSLWantWriteError):
            raise
        except ssl.SSLError as error:
            self.context.trouble = error.with_traceback(None)
            raise


class Tls(ssl.SSLContext):
    """`trouble` is what broke a connection last."""

    sslsocket_class = _Socket
    trouble: ssl.SSLError | None = None


def context(where: str, ca_file: str | None, cert_file: str | None, key_file: str | None) -> Tls:
    """TLS 1.2 or newer. The broker shows a certificate of that authority (None: one that this machine knows) for its
    own name; we show ours where there is one.

    Raises:
        BrokerRefusesError: a file is not there, or holds no certificate or key.
    """
    for file in (ca_file, cert_file, key_file):
        if file is not None and not Path(file).is_file():
            raise BrokerRefusesError(f"broker {where}: there is no file {file}; name the right one in the settings")
    try:
        made = Tls(ssl.PROTOCOL_TLS_CLIENT)  # which looks at certificate and name
        made.minimum_version = ssl.TLSVersion.TLSv1_2
        if ca_file is None:
            made.load_default_certs()
        else:
            made.load_verify_locations(ca_file)
        if cert_file is not None:
            made.load_cert_chain(cert_file, key_file)
    except (OSError, ValueError) as error:  # SSLError is the former
        raise BrokerRefusesError(
            f"broker {where}: no TLS connection ({error}); check that ca_file, cert_file and key_file are certificates "
            "and a key in PEM, and can be read by the daemon"
        ) from error
    return made


def no_tls(where: str, reason: ssl.SSLError) -> BrokerError:
    """For a connection that TLS has ended: trying again soon helps only where neither side has said no."""
    refused = isinstance(reason, ssl.SSLCertVerificationError) or "alert" in str(reason).lower()
    return (BrokerRefusesError if refused else BrokerError)(
        f"broker {where}: no TLS connection ({reason}); check that it speaks TLS on this port, and the certificates in "
        "its settings and in ca_file, cert_file and key_file here"
    )
