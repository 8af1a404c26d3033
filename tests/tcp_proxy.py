"""A TCP proxy that delays, stalls half-open and cuts, as switches and radio links do."""

import select
import socket
import struct
import threading
import time

_RESET = struct.pack("ii", 1, 0)


class TcpProxy:
    """Stands between a client and a port of the loopback address.

    Attributes:
        port: where clients connect to.
        delay_s: how long each piece is held back.
    """

    def __init__(self, target_port):
        self.delay_s = 0.0
        self._target_port = target_port
        self._listener = socket.create_server(("127.0.0.1", 0))
        self.port = self._listener.getsockname()[1]
        self._flowing = threading.Event()
        self._flowing.set()
        self._ended = threading.Event()
        self._pairs = []
        self._threads = [threading.Thread(target=self._accept, daemon=True)]
        self._threads[0].start()

    def stall(self):
        """Half-open: every connection stays, new ones are taken, and nothing goes through."""
        self._flowing.clear()

    def resume(self):
        """Lets through again, also what was held."""
        self._flowing.set()

    def cut(self):
        """Resets all connections."""
        for pair in list(self._pairs):
            for end in pair:
                _reset(end)

    def inject(self, data):
        """Sends bytes to the target on the newest connection, as if they were the client's."""
        self._pairs[-1][1].sendall(data)

    def close(self):
        """Ends everything."""
        self._ended.set()
        self._flowing.set()
        self._listener.close()
        self.cut()
        for thread in self._threads:
            thread.join(5)

    def __enter__(self):
        return self

    def __exit__(self, *_exc):
        self.close()

    def _accept(self):
        while not self._ended.is_set():
            if not select.select([self._listener], [], [], 0.1)[0]:
                continue
            try:
                client, _ = self._listener.accept()
            except OSError:
                return
            thread = threading.Thread(target=self._carry, args=(client,), daemon=True)
            self._threads.append(thread)
            thread.start()

    def _carry(self, client):
        self._flowing.wait()
        try:
            target = socket.create_connection(("127.0.0.1", self._target_port), timeout=5)
        except OSError:
            _reset(client)
            return
        pair = (client, target)
        self._pairs.append(pair)
        try:
            while not self._ended.is_set() and self._carry_once(client, target):
                pass
        except (OSError, ValueError):
            pass
        self._pairs.remove(pair)
        for end in pair:
            _reset(end)

    def _carry_once(self, client, target):
        readable, _, _ = select.select([client, target], [], [], 0.05)
        self._flowing.wait()
        for end in readable:
            data = end.recv(1 << 16)
            if not data:
                return False
            if self.delay_s:
                time.sleep(self.delay_s)
            (target if end is client else client).sendall(data)
        return True


def _reset(end):
    try:
        end.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, _RESET)
        end.shutdown(socket.SHUT_RDWR)
    except OSError:
        pass
    end.close()
