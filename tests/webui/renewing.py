# SPDX-License-Identifier: MIT
"""A program that keeps so many connections open and opens a new one for each that is dropped.

Words: port, how many, source address ("%d" in it counts up), text to send first. It says "ready"
once all were opened, and how many it opened in all when its input ends.
"""

from __future__ import annotations

import contextlib
import selectors
import socket
import sys


def keep(port: int, count: int, source: str, first: bytes) -> None:
    """Run until the standard input ends."""
    waiting, opened, kept = selectors.DefaultSelector(), 0, 0
    waiting.register(sys.stdin, selectors.EVENT_READ)
    asked = selectors.EVENT_READ | (selectors.EVENT_WRITE if first else 0)
    while True:
        for _ in range(count - kept):
            sock = socket.socket()
            sock.setblocking(False)
            sock.bind((source % (2 + opened % 250) if "%" in source else source, 0))
            sock.connect_ex(("127.0.0.1", port))
            waiting.register(sock, asked)
            opened += 1
        if kept == 0:
            print("ready", flush=True)
        kept = count
        for key, events in waiting.select():
            sock = key.fileobj
            if sock is sys.stdin:
                print(opened)
                return
            if events & selectors.EVENT_WRITE:
                with contextlib.suppress(OSError):
                    sock.send(first)
                waiting.modify(sock, selectors.EVENT_READ)
            if events & selectors.EVENT_READ:
                with contextlib.suppress(OSError):
                    if sock.recv(1000):
                        continue
                waiting.unregister(sock)
                sock.close()
                kept -= 1


if __name__ == "__main__":
    keep(int(sys.argv[1]), int(sys.argv[2]), sys.argv[3], sys.argv[4].encode())
