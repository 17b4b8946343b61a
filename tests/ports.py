"""Ports for servers of the tests."""

import socket


def free_port() -> int:
    """One of loopback's that nobody listens on just now."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port: int = probe.getsockname()[1]
        return port
