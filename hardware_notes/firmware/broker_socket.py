"""Opens a connection to the broker, encrypted where a certificate is named.

This much waits: at most ``connect_within_s`` for each step. Interrupts go on meanwhile, and what
they write down is sent afterwards. Once open, the connection does not wait.
"""

import socket


def open_connection(settings):
    """Connects to the broker.

    Args:
        settings: the table ``MQTT`` of the configuration.

    Returns:
        The connection; its ``readinto`` and ``write`` do not wait.

    Raises:
        OSError: where the broker can't be reached.
        ValueError: where its certificate is not the one that is asked for.
    """
    address = socket.getaddrinfo(settings["host"], settings["port"])[0][-1]
    connection = socket.socket()
    try:
        connection.settimeout(settings["connect_within_s"])
        connection.connect(address)
        if settings["ca_file"] is not None:
            connection = _encrypted(connection, settings)
        connection.setblocking(False)
    except Exception:
        connection.close()
        raise
    return connection


def _encrypted(connection, settings):
    import tls  # noqa: PLC0415 - only where the broker asks for it

    context = tls.SSLContext(tls.PROTOCOL_TLS_CLIENT)
    context.verify_mode = tls.CERT_REQUIRED
    with open(settings["ca_file"], "rb") as file:  # noqa: PTH123 - a board has no pathlib
        context.load_verify_locations(file.read())
    return context.wrap_socket(connection, server_hostname=settings["host"])
