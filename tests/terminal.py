"""A pseudo-terminal that can be unplugged and plugged in again, for tests of serial lines."""

from __future__ import annotations

import os
import pty
import tty
from pathlib import Path


class Terminal:
    """A pseudo-terminal whose port is a link of a fixed name, so that it can be replugged."""

    def __init__(self, link):
        self.link = Path(link)
        self.master = None
        self.plug()

    def plug(self):
        """Gives the port to a new pseudo-terminal."""
        self.master, slave = pty.openpty()
        tty.setraw(slave)
        self._slave = slave  # held open, as a device holds its line while nobody listens
        name = os.ttyname(slave)
        new = self.link.with_suffix(".new")
        new.symlink_to(name)
        new.replace(self.link)

    def unplug(self):
        """Hangs up, as pulling the adapter does."""
        self.link.unlink()
        os.close(self._slave)
        os.close(self.master)
        self.master = None

    def send(self, data):
        """Writes all of the data as the device."""
        while data:
            data = data[os.write(self.master, data) :]

    def close(self):
        """Unplugs where that was not done."""
        if self.master is not None:
            self.unplug()
