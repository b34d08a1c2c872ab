# SPDX-License-Identifier: MIT
"""Find the account of this computer at the other end of a loopback connection.

The kernel's socket table (proc(5), /proc/net/tcp and tcp6) names the account of each socket. Only
an established one counts: a closed socket is listed with account 0.
"""

from __future__ import annotations

import ipaddress
import os
import sys
from pathlib import Path

TABLES = (Path("/proc/net/tcp"), Path("/proc/net/tcp6"))
TURNS = 3
"""The table is read while it changes, and a reading may miss a socket."""
ESTABLISHED = "01"
Address = tuple[str, int]


def uid_of(client: Address, server: Address) -> int | None:
    """The account that opened `client`'s end of its connection to `server` (IPv4 address and port
    of each); None if unknown."""
    if not ipaddress.ip_address(client[0]).is_loopback:
        return None
    ends = {(_hex(client, mapped), _hex(server, mapped)) for mapped in (False, True)}
    for _ in range(TURNS):
        for table in TABLES:
            try:
                rows = table.read_text().splitlines()[1:]
            except OSError:  # a kernel without IPv6
                continue
            for row in rows:
                words = row.split()
                if (words[1], words[2]) in ends and words[3] == ESTABLISHED and words[9] != "0":
                    return int(words[7])
    return None


def owner_of(folder: Path) -> int:
    """The account that owns a folder; this process's own if there is none."""
    try:
        return folder.stat().st_uid
    except OSError:
        return os.getuid()


def _hex(address: Address, mapped: bool) -> str:
    """An address as written in the table: words of the host's byte order, here as read by it."""
    packed = ipaddress.IPv4Address(address[0]).packed
    if mapped:  # RFC 4291, section 2.5.5.2
        packed = b"\0" * 10 + b"\xff\xff" + packed
    words = [packed[n : n + 4] for n in range(0, len(packed), 4)]
    return "".join(f"{int.from_bytes(w, sys.byteorder):08X}" for w in words) + f":{address[1]:04X}"
