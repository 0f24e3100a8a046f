"""Whether a folder lies on another machine: SQLite's write-ahead log needs memory that all its users share.

https://www.sqlite.org/wal.html: "All processes using a database must be on the same host computer; WAL does not work
over a network filesystem."
"""

from __future__ import annotations

import os
import re
import subprocess
import sys
from pathlib import Path

NETWORK_TYPES = frozenset(
    [
        "nfs",
        "nfs3",
        "nfs4",
        "cifs",
        "smb",
        "smb2",
        "smb3",
        "smbfs",
        "afpfs",
        "ncpfs",
        "afs",
        "coda",
        "ceph",
        "glusterfs",
        "lustre",
        "gpfs",
        "beegfs",
        "ocfs2",
        "gfs2",
        "webdav",
        "davfs",
        "davfs2",
        "9p",
        "virtiofs",
        "vboxsf",
        "vmhgfs",
        "prl_fs",
        "macfuse",
        "osxfuse",
        "fuse.sshfs",
        "fuse.rclone",
        "fuse.davfs2",
        "fuse.glusterfs",
        "fuse.ceph",
        "fuse.s3fs",
        "fuse.gcsfuse",
        "fuse.vmhgfs-fuse",
        "fuse.smbnetfs",
        "fuse.gvfsd-fuse",
    ]
)
_OCTAL = re.compile(r"\\([0-7]{3})")
_DRIVE_REMOTE = 4


def network_type(folder: Path) -> str | None:
    """The kind of network filesystem that `folder`, or the nearest folder above that exists, lies on; None if local."""
    there = folder.absolute()
    while not there.exists() and there != there.parent:
        there = there.parent
    there = there.resolve()
    if sys.platform == "win32":
        return _windows_type(there)
    found = type_from_mounts(_mounts(), there)
    return found if found in NETWORK_TYPES else None


def type_from_mounts(mounts: list[tuple[str, str]], folder: Path) -> str:
    """The filesystem type of an absolute folder, by the longest mount point above it; the last mounted one counts.

    Parameters
    ----------
    mounts : list of (mount point, type)
    folder : Path
    """
    best, kind = -1, ""
    for point, name in mounts:
        if len(point) >= best and folder.is_relative_to(point):
            best, kind = len(point), name
    return kind


def linux_mounts(text: str) -> list[tuple[str, str]]:
    """Mount points and types from ``/proc/self/mountinfo``; proc(5) describes its fields."""
    mounts = []
    for line in text.splitlines():
        fields, _, behind = line.partition(" - ")
        parts, kinds = fields.split(), behind.split()
        if len(parts) >= 5 and kinds:
            mounts.append((_OCTAL.sub(lambda m: chr(int(m[1], 8)), parts[4]), kinds[0]))
    return mounts


def bsd_mounts(text: str) -> list[tuple[str, str]]:
    """Mount points and types from ``mount`` on macOS and the BSDs: ``//host/x on /Volumes/x (smbfs, …)``."""
    return re.findall(r"^.* on (/.*) \((\w+)", text, re.M)


def _mounts() -> list[tuple[str, str]]:
    try:
        return linux_mounts(Path("/proc/self/mountinfo").read_text(encoding="utf-8", errors="surrogateescape"))
    except OSError:
        pass
    try:
        return bsd_mounts(subprocess.run(["/sbin/mount"], capture_output=True, text=True, timeout=10).stdout)
    except (OSError, subprocess.SubprocessError):
        return []


def _windows_type(folder: Path) -> str | None:
    if str(folder).startswith("\\\\"):
        return "share"
    import ctypes

    windll = getattr(ctypes, "windll", None)
    drive = os.path.splitdrive(folder)[0] + "\\"
    return "share" if windll is not None and windll.kernel32.GetDriveTypeW(drive) == _DRIVE_REMOTE else None
