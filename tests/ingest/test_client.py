"""Reading ahead of paho."""

from __future__ import annotations

import random
import socket

import pytest

from ingest.client import READ_AHEAD, ReadAhead


def test_what_is_read_ahead_comes_whole_and_in_order():
    """Whatever sizes are asked for: no byte is lost or doubled, and pending tells what select would not."""
    ours, theirs = socket.socketpair()
    ours.setblocking(False)
    sizes, sent = random.Random(3), random.Random(4).randbytes(3 * READ_AHEAD)
    with ours, theirs:
        reader, got, at = ReadAhead(ours), b"", 0
        while len(got) < len(sent):
            if at < len(sent):
                at += theirs.send(sent[at : at + sizes.randrange(1, 2000)])
            before = reader.pending()
            piece = reader.recv(sizes.choice((1, 1, 2, 700, READ_AHEAD, 2 * READ_AHEAD)))
            assert piece
            got += piece
            assert not before or reader.pending() == before - len(piece)
        assert got == sent
        with pytest.raises(BlockingIOError):
            reader.recv(1)
        theirs.close()
        assert reader.recv(1) == b""  # the end
        assert reader.fileno() == ours.fileno()
