"""The seal on what a run keeps: a key of this user on this machine, which lies outside every study.

A study folder brings its cache along. What another user, another machine or another program wrote
there does not carry this seal, and is not used.
"""

from __future__ import annotations

import hmac
import os
import secrets
import stat
from contextlib import suppress
from pathlib import Path

LENGTH = 32


def key_file() -> Path:
    """Where the key lies: in the user's state folder (XDG base directories)."""
    state = os.environ.get("XDG_STATE_HOME", "")
    folder = Path(state) if os.path.isabs(state) else Path.home() / ".local" / "state"
    return folder / "residuekit" / "cache-key"


def own_key() -> bytes:
    """The user's key, made where there is none; where none can be kept, one for this run alone."""
    with suppress(OSError, RuntimeError):  # no state folder, no home
        path = key_file()
        path.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
        with suppress(FileExistsError):
            handle = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
            with os.fdopen(handle, "wb") as file:
                file.write(secrets.token_bytes(LENGTH))
        state = path.lstat()
        key = path.read_bytes() if stat.S_ISREG(state.st_mode) else b""
        if len(key) == LENGTH and (os.name != "posix" or _is_own(state)):
            return key
    return secrets.token_bytes(LENGTH)


def _is_own(state: os.stat_result) -> bool:
    """Say whether a file is this user's, and closed to all others."""
    return state.st_uid == os.geteuid() and not state.st_mode & 0o077


def seal(key: bytes, name: str, data: bytes) -> bytes:
    """The seal (HMAC-SHA256) of an entry under its name."""
    return hmac.digest(key, name.encode() + b"\0" + data, "sha256")
