"""The unit file's walls around a process of a trial, as the service manager would put them up, by the same calls.

Not put up are what the trial itself lies behind (`ProtectHome`, `PrivateTmp`, the user) and what takes a manager (memory
and tasks by control group); how many tasks there are, the trial counts. Needs root, Linux and libseccomp.
"""

from __future__ import annotations

import ctypes
import errno
import os
import subprocess
import sys
from pathlib import Path
from typing import Final

_CLONE_NEWNS: Final = 0x00020000
_CLONE_NEWIPC: Final = 0x08000000
_NAMESPACES: Final = 0x7E020080
"""Every flag of clone(2) that makes a namespace."""
_ALLOW: Final = 0x7FFF0000
_EQ, _MASKED_EQ = 4, 7
"""How libseccomp compares an argument."""
_WRITE_EXEC: Final = 0x6
_EXEC: Final = 0x4
_DEVICES: Final = ("null", "zero", "full", "random", "urandom", "tty")


class _Compared(ctypes.Structure):
    _fields_ = (
        ("argument", ctypes.c_uint),
        ("how", ctypes.c_int),
        ("first", ctypes.c_uint64),
        ("second", ctypes.c_uint64),
    )


def confining(data: Path) -> str:
    """Return the code of a program that puts up the walls and then is the service; it may write to `data` alone."""
    return (
        "from pathlib import Path; import sys; from tests.trials.confined import behind_mounts; "
        f"behind_mounts(Path({str(data)!r}), sys.argv[1:])"
    )


def calls_let_through(filters: list[str], analyze: str) -> set[str]:
    """Return the system calls that the unit's `SystemCallFilter` lines let through."""
    found: set[str] = set()
    for line in filters:
        taken = line.startswith("~")
        for name in line.removeprefix("~").split():
            calls = _calls(name, analyze)
            found = found - calls if taken else found | calls
    return found


def _calls(name: str, analyze: str) -> set[str]:
    if not name.startswith("@"):
        return {name}
    told = subprocess.run(
        [analyze, "syscall-filter", "--no-pager", name], capture_output=True, text=True, check=True
    )
    lines = [line.strip() for line in told.stdout.splitlines()[1:]]
    return set().union(*(_calls(line, analyze) for line in lines if line and not line.startswith("#")))


def behind_mounts(data: Path, arguments: list[str]) -> None:
    """Take away what may not be written and seen, drop every capability, and go on as `behind_filter`."""
    libc = ctypes.CDLL(None, use_errno=True)
    if libc.unshare(_CLONE_NEWNS | _CLONE_NEWIPC):
        raise OSError(ctypes.get_errno(), "unshare")
    data.mkdir(mode=0o700, exist_ok=True)
    for command in (
        "mount --make-rprivate /",
        f"mount --bind {data} {data}",
        "mount -t tmpfs -o mode=755 tmpfs /mnt",
        *(f"touch /mnt/{name}" for name in _DEVICES),
        *(f"mount --bind /dev/{name} /mnt/{name}" for name in _DEVICES),
        "mkdir /mnt/shm",
        "mount -t tmpfs -o mode=1777 tmpfs /mnt/shm",
        "mount --move /mnt /dev",
        "mount -t tmpfs -o mode=1777 tmpfs /var/tmp",
        "mount -t proc -o subset=pid,hidepid=invisible proc /proc",
        "mount -o remount,bind,ro /",
    ):
        subprocess.run(command.split(), check=True)
    code = "import sys; from tests.trials.confined import behind_filter; behind_filter(); "
    code += "from api.commands.main import main; sys.exit(main())"
    os.execvp(
        "setpriv",
        ["setpriv", "--bounding-set=-all", "--inh-caps=-all", "--no-new-privs",
         sys.executable, "-c", code, *arguments],
    )  # fmt: skip


def behind_filter() -> None:
    """Let through the calls named in the environment (`CALLS`), and of these not what the other settings take away."""
    seccomp = ctypes.CDLL("libseccomp.so.2")
    seccomp.seccomp_init.restype = ctypes.c_void_p
    refuse = 0x00050000 | errno.EPERM
    filtered = ctypes.c_void_p(seccomp.seccomp_init(refuse))

    def rule(action: int, name: str, *compared: _Compared) -> None:
        number = seccomp.seccomp_syscall_resolve_name(name.encode())
        if number < 0:
            return  # of another machine
        array = (_Compared * len(compared))(*compared)
        done = seccomp.seccomp_rule_add_array(filtered, action, number, len(compared), array)
        if done:
            raise OSError(-done, name)

    limited = {
        "socket",
        "mmap",
        "mprotect",
        "clone",
        "clone3",
        "unshare",
        "setns",
        "personality",
        "pkey_mprotect",
    }
    for name in set(os.environ["CALLS"].split()) - limited:
        rule(_ALLOW, name)
    for family in (1, 2, 10):  # RestrictAddressFamilies: of this machine, IPv4, IPv6
        rule(_ALLOW, "socket", _Compared(0, _EQ, family, 0))
    # MemoryDenyWriteExecute, RestrictNamespaces; clone3 cannot be looked into, and the C library goes back to clone
    for allowed in (0x0, 0x2, 0x4):
        rule(_ALLOW, "mmap", _Compared(2, _MASKED_EQ, _WRITE_EXEC, allowed))
    rule(_ALLOW, "mprotect", _Compared(2, _MASKED_EQ, _EXEC, 0))
    rule(_ALLOW, "clone", _Compared(0, _MASKED_EQ, _NAMESPACES & ~0x80, 0))
    rule(0x00050000 | errno.ENOSYS, "clone3")
    done = seccomp.seccomp_load(filtered)
    if done:
        raise OSError(-done, "seccomp_load")
