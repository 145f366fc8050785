"""Memory that was let go of, given back to the system, so that a large job does not hold twice."""

from __future__ import annotations

import ctypes
import sys


def give_back() -> None:
    """Ask the C library to return what is free; do nothing where it has no such call.

    Millions of small columns leave the heap of glibc full of holes that it keeps (malloc_trim(3));
    other systems return memory by themselves.
    """
    if sys.platform == "linux":
        trim = getattr(ctypes.CDLL(None), "malloc_trim", None)
        if trim is not None:
            trim(0)
