"""A disk to be hurt: ext4 in a file of its own, mounted through a loop device.

``cut`` is a power cut without hardware: the ioctl ``EXT4_IOC_SHUTDOWN`` with "no log flush"
(Linux, fs/ext4/ioctl.c) stops the file system where it stands. What was synced is in the file,
what was not is gone, and mounting again replays ext4's own journal as after a real cut. It
does not model torn sectors, nor drives that say "synced" and are not.

It needs root, mkfs.ext4 and loop devices; ``why_no_loop_disk`` says what is missing. A program
that uses one calls ``own_mounts`` first: its mounts are then seen by it and its children only,
and the system takes them down with the last of these, even after a SIGKILL.
"""

from __future__ import annotations

import ctypes
import fcntl
import os
import shutil
import struct
import subprocess
import time
from contextlib import suppress
from pathlib import Path

EXT4_IOC_SHUTDOWN = 0x8004587D
NO_LOG_FLUSH = 2
_CLONE_NEWNS = 0x00020000
_LOOP_BLOCK_MAJOR = "/dev/loop-control"


def why_no_loop_disk():
    """What this machine lacks for a loop disk, in words; empty where it has all."""
    if not hasattr(os, "geteuid") or os.geteuid() != 0:
        return "a loop-mounted disk needs root"
    if not Path(_LOOP_BLOCK_MAJOR).exists():
        return "there are no loop devices"
    tools = [t for t in ("mkfs.ext4", "mount", "umount") if shutil.which(t) is None]
    return f"{tools[0]} is not installed" if tools else ""


def own_mounts():
    """Gives this process a view of mounts of its own, so that none outlives it.

    Raises:
        OSError: where the system does not let it.
    """
    libc = ctypes.CDLL(None, use_errno=True)
    if libc.unshare(_CLONE_NEWNS) != 0:
        raise OSError(ctypes.get_errno(), "no mounts of its own")
    run("mount", "--make-rprivate", "/")


def run(*command):
    """Runs a command that must succeed."""
    subprocess.run(command, check=True, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE)


class LoopDisk:
    """An ext4 of its own, made, mounted, unmounted and removed by ``with``.

    Attributes:
        path: where it is mounted.

    Args:
        folder: where its image and its mount point go.
        size_bytes: how large the file system is.
    """

    def __init__(self, folder, *, size_bytes=64 << 20):
        Path(folder).mkdir(exist_ok=True)
        self.image = Path(folder) / "disk.img"
        self.path = Path(folder) / "disk"
        self._size_bytes = size_bytes

    def __enter__(self):
        self.path.mkdir()
        with self.image.open("xb") as file:
            file.truncate(self._size_bytes)
        run("mkfs.ext4", "-q", "-F", str(self.image))
        self.mount()
        return self

    def __exit__(self, *_):
        try:
            self.unmount()
        finally:
            with suppress(FileNotFoundError):
                self.image.unlink()
            with suppress(OSError):
                self.path.rmdir()

    def mount(self):
        """Mounts it; its loop device goes by itself when it is unmounted."""
        run("mount", "-t", "ext4", "-o", "loop,noatime", str(self.image), str(self.path))

    def cut(self):
        """Cuts the power: from now on nothing reaches the disk."""
        folder = os.open(self.path, os.O_RDONLY)
        try:
            fcntl.ioctl(folder, EXT4_IOC_SHUTDOWN, struct.pack("I", NO_LOG_FLUSH))
        finally:
            os.close(folder)

    def unmount(self):
        """Unmounts it; waits a little for a killed process to let go."""
        end = time.monotonic() + 5
        while self.path.is_mount():
            done = subprocess.run(["umount", str(self.path)], capture_output=True, check=False)
            if done.returncode == 0:
                return
            if time.monotonic() > end:
                run("umount", "-l", str(self.path))
                return
            time.sleep(0.005)

    def power_up(self):
        """Unmounts what was cut and mounts it again, as a start of the machine does."""
        self.unmount()
        self.mount()

    def empty(self):
        """Removes every file on it."""
        for entry in self.path.iterdir():
            if entry.is_file():
                entry.unlink()


class SmallTmpfs:
    """A file system in memory with little room, mounted and unmounted by ``with``.

    Attributes:
        path: where it is mounted.

    Args:
        folder: where its mount point goes.
        size_bytes: its room.
    """

    def __init__(self, folder, *, size_bytes):
        self.path = Path(folder) / "small"
        self._size_bytes = size_bytes

    def __enter__(self):
        self.path.mkdir()
        run("mount", "-t", "tmpfs", "-o", f"size={self._size_bytes}", "small", str(self.path))
        return self

    def __exit__(self, *_):
        run("umount", "-l", str(self.path))
        self.path.rmdir()

    def grow(self, size_bytes):
        """Gives it more room."""
        run("mount", "-o", f"remount,size={size_bytes}", str(self.path))

    @property
    def free_bytes(self):
        """Room that is left."""
        room = os.statvfs(self.path)
        return room.f_bavail * room.f_frsize
