"""A file system of memory that remembers every write and flush, and tells what a power cut at any moment leaves.

Mounted by a process of its own. What is on its disk: whatever was flushed (fsync of the file for its bytes, fsync of
the folder, or of the new file itself, for names), and of the rest, by choice, nothing, all, the first few writes, or
random sectors.
Shares no code with what it tests. Needs FUSE 3 and the package mfusepy.
"""

from __future__ import annotations

import errno
import os
import pickle
import random
import shutil
import stat
import sys
import time
from pathlib import Path

SECTOR = 512


class Disk:
    """The calls of the file system, and the log of everything that changes it."""

    use_ns = True

    def __init__(self, log: Path, room: Path) -> None:
        """Begin empty.

        Args:
            log: Where every change is noted.
            room: A file that says how many bytes there is room for; boundless while there is none.
        """
        self.room = room
        self.nodes: dict[str, dict] = {"/": {"mode": stat.S_IFDIR | 0o755, "time": time.time_ns()}}
        self.data: dict[int, bytearray] = {}
        self.next_id = 1
        self.log = log.open("ab", buffering=0)

    def say(self, *event: object) -> None:
        pickle.dump(event, self.log)

    def node(self, path: str) -> dict:
        if path not in self.nodes:
            raise OSError(errno.ENOENT, "")
        return self.nodes[path]

    def getattr(self, path: str, fh: int | None = None) -> dict:
        node = self.node(path)
        size = len(self.data[node["id"]]) if "id" in node else 0
        moment = node["time"]
        return {
            "st_mode": node["mode"], "st_nlink": 1, "st_size": size, "st_uid": os.getuid(), "st_gid": os.getgid(),
            "st_mtime": moment, "st_atime": moment, "st_ctime": moment, "st_ino": node.get("id", 1),
        }  # fmt: skip

    def readdir(self, path: str, fh: int) -> list[str]:
        begin = path.rstrip("/") + "/"
        names = [p[len(begin) :] for p in self.nodes if p.startswith(begin) and p != begin]
        return [".", "..", *(name for name in names if "/" not in name and name)]

    def mkdir(self, path: str, mode: int) -> int:
        self.nodes[path] = {"mode": stat.S_IFDIR | mode, "time": time.time_ns()}
        self.say("mkdir", path)
        return 0

    def rmdir(self, path: str) -> int:
        del self.nodes[path]
        self.say("rmdir", path)
        return 0

    def create(self, path: str, mode: int, fi: object = None) -> int:
        number, self.next_id = self.next_id, self.next_id + 1
        self.nodes[path] = {"mode": stat.S_IFREG | mode, "time": time.time_ns(), "id": number}
        self.data[number] = bytearray()
        self.say("create", path, number)
        return number

    def open(self, path: str, flags: int) -> int:
        number = self.node(path)["id"]
        if flags & os.O_TRUNC:
            self.truncate(path, 0)
        return number

    def read(self, path: str, size: int, offset: int, fh: int) -> bytes:
        return bytes(self.data[fh][offset : offset + size])

    def free(self) -> int:
        """Bytes that there is room for still; what no name leads to has gone."""
        if not self.room.exists():
            return 1 << 32
        there = {node["id"] for node in self.nodes.values() if "id" in node}
        return max(int(self.room.read_text()) - sum(len(self.data[number]) for number in there), 0)

    def write(self, path: str, data: bytes, offset: int, fh: int) -> int:
        held = self.data[fh]
        if offset + len(data) - len(held) > self.free():
            raise OSError(errno.ENOSPC, "")
        if len(held) < offset:
            held.extend(bytes(offset - len(held)))
        held[offset : offset + len(data)] = data
        self.touch(fh)
        self.say("write", fh, offset, bytes(data))
        return len(data)

    def touch(self, number: int) -> None:
        for node in self.nodes.values():
            if node.get("id") == number:
                node["time"] = time.time_ns()

    def truncate(self, path: str, length: int, fh: int | None = None) -> int:
        number = fh or self.node(path)["id"]
        held = self.data[number]
        if length - len(held) > self.free():
            raise OSError(errno.ENOSPC, "")
        del held[length:]
        held.extend(bytes(length - len(held)))
        self.touch(number)
        self.say("truncate", number, length)
        return 0

    def unlink(self, path: str) -> int:
        del self.nodes[path]
        self.say("unlink", path)
        return 0

    def rename(self, old: str, new: str) -> int:
        moved = {p: n for p, n in self.nodes.items() if p == old or p.startswith(old + "/")}
        for path in moved:
            del self.nodes[path]
        self.nodes.update({new + path[len(old) :]: node for path, node in moved.items()})
        self.say("rename", old, new)
        return 0

    def link(self, target: str, source: str) -> int:
        self.nodes[target] = self.node(source)
        self.say("link", source, target)
        return 0

    def fsync(self, path: str, datasync: int, fh: int) -> int:
        self.say("fsync", fh)
        return 0

    def fsyncdir(self, path: str, datasync: int, fh: int) -> int:
        self.say("fsyncdir", path)
        return 0

    def flush(self, path: str, fh: int) -> int:
        return 0

    def release(self, path: str, fh: int) -> int:
        return 0

    def chmod(self, path: str, mode: int) -> int:
        return 0

    def chown(self, path: str, uid: int, gid: int) -> int:
        return 0

    def utimens(self, path: str, times: object = None) -> int:
        return 0

    def access(self, path: str, mode: int) -> int:
        self.node(path)
        return 0

    def opendir(self, path: str) -> int:
        return 0

    def releasedir(self, path: str, fh: int) -> int:
        return 0

    def statfs(self, path: str) -> dict[str, int]:
        free = self.free() // 4096
        return {"f_bsize": 4096, "f_frsize": 4096, "f_blocks": 1 << 20, "f_bavail": free, "f_bfree": free}

    def init(self, path: str) -> None:
        return

    def destroy(self, path: str) -> None:
        self.log.close()


def read_log(log: Path) -> list[tuple]:
    """Every event so far, in order."""
    events = []
    with log.open("rb") as file:
        while True:
            try:
                events.append(pickle.load(file))
            except (EOFError, pickle.UnpicklingError):
                return events


class Image:
    """The disk as a cut leaves it, built event by event: names and bytes, flushed and not."""

    def __init__(self) -> None:
        self.names: dict[str, int | None] = {}
        self.safe_names: dict[str, int | None] = {}
        self.safe: dict[int, bytearray] = {}
        self.waiting: dict[int, list[tuple]] = {}

    def do(self, event: tuple) -> None:
        kind, *args = event
        if kind == "mkdir":
            self.names[args[0]] = None
            self.safe_names[args[0]] = None  # folders are made once, at the beginning
        elif kind == "create":
            self.names[args[0]] = args[1]
            self.safe[args[1]] = bytearray()
            self.waiting[args[1]] = []
        elif kind in {"unlink", "rmdir"}:
            self.names.pop(args[0], None)
        elif kind == "rename":
            self._rename(self.names, *args)
            if any(node is None for path, node in self.names.items() if path == args[1]):
                self._rename(self.safe_names, *args)
        elif kind == "link":
            self.names[args[1]] = self.names[args[0]]
        elif kind in {"write", "truncate"}:
            self.waiting.setdefault(args[0], []).append((kind, *args[1:]))
        elif kind == "fsync":
            self._settle(self.safe.setdefault(args[0], bytearray()), self.waiting.pop(args[0], []))
            self.waiting[args[0]] = []
            for path, node in self.names.items():  # the file's own name lasts with it, as ext4, XFS and Btrfs have it
                if node == args[0] and node not in self.safe_names.values():
                    self.safe_names[path] = node
        elif kind == "fsyncdir":
            begin = args[0].rstrip("/") + "/"
            mine = lambda path: path.startswith(begin) and "/" not in path[len(begin) :]  # noqa: E731
            for path in [p for p in self.safe_names if mine(p) and self.safe_names[p] is not None]:
                del self.safe_names[path]
            self.safe_names |= {p: n for p, n in self.names.items() if mine(p) and n is not None}

    @staticmethod
    def _rename(names: dict[str, int | None], old: str, new: str) -> None:
        moved = {p: n for p, n in names.items() if p == old or p.startswith(old + "/")}
        for path in moved:
            del names[path]
        names.update({new + path[len(old) :]: node for path, node in moved.items()})

    @staticmethod
    def _settle(held: bytearray, writes: list[tuple], chosen: random.Random | None = None) -> None:
        for kind, *args in writes:
            if kind == "truncate":
                del held[args[0] :]
                held.extend(bytes(args[0] - len(held)))
                continue
            offset, data = args
            if len(held) < offset + len(data):
                held.extend(bytes(offset + len(data) - len(held)))
            for begin in range(0, len(data), SECTOR if chosen else len(data) or 1):
                piece = data[begin : begin + (SECTOR if chosen else len(data))]
                if chosen is None or chosen.random() < 0.5:
                    held[offset + begin : offset + begin + len(piece)] = piece

    def export(self, folder: Path, how: str, seed: int) -> None:
        """Write what is left: `flushed` only, `ordered` (all that came before the cut), `names` or `torn` sectors."""
        chosen = random.Random(seed)
        names = self.safe_names if how in {"flushed", "torn"} else self.names
        for path, node in sorted(names.items()):
            place = folder / path.lstrip("/")
            if node is None:
                place.mkdir(parents=True, exist_ok=True)
                continue
            place.parent.mkdir(parents=True, exist_ok=True)
            held = bytearray(self.safe.get(node, b""))
            writes = self.waiting.get(node, [])
            if how == "ordered":
                self._settle(held, writes)
            elif how == "some":
                self._settle(held, writes[: chosen.randint(0, len(writes))])
            elif how == "torn":
                self._settle(held, writes, chosen)
            place.write_bytes(held)


def why_not() -> str:
    """Why there is no such file system here; empty where there is."""
    if sys.platform != "linux" or not Path("/dev/fuse").exists() or shutil.which("fusermount3") is None:
        return "FUSE 3 is not there (Debian: apt-get install fuse3)"
    try:
        import mfusepy  # noqa: F401
    except (ImportError, OSError) as error:
        return f"mfusepy can't be used ({error}): pip install -e '.[test]'"
    return ""


if __name__ == "__main__":
    import mfusepy

    disk = Disk(Path(sys.argv[2]), Path(sys.argv[2] + ".room"))
    mfusepy.FUSE(disk, sys.argv[1], foreground=True, nothreads=True, allow_other=False, direct_io=False)
