"""Line patterns: RE2 over the UTF-8 bytes of a whole dump in one pass."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import numpy as np
import re2
from numpy.typing import NDArray


def compile_lines(text: str) -> Any:
    """Compile a pattern whose ^ and $ are a line's ends and which never crosses a line end.

    Works on UTF-8 bytes. Raises `re2.error` on what RE2 does not accept.
    """
    options = re2.Options()
    options.never_nl = True
    options.log_errors = False
    options.max_mem = 8 << 20
    return re2.compile(f"(?m:{text})".encode(), options)


def groups(text: str) -> tuple[str, ...]:
    """List the named groups of a pattern, in order."""
    index = compile_lines(text).groupindex
    return tuple(n.decode() if isinstance(n, bytes) else n for n in sorted(index, key=index.get))


def found(texts: list[str], body: bytes) -> Iterator[tuple[int, int]]:
    """Yield (offset, index) of each line part that one of `texts` matches, first index first.

    All patterns run as one expression, so a dump is scanned once however many there are.
    """
    if not texts:
        return
    each = [compile_lines(text) for text in texts]
    bare = "|".join(f"(?:{_unnamed(text)})" for text in texts)
    for match in compile_lines(bare).finditer(body):
        start = body.rfind(b"\n", 0, match.start()) + 1
        if len(each) == 1:
            yield start, 0
            continue
        end = body.find(b"\n", match.start())
        line = body[start : len(body) if end < 0 else end]
        for index, pattern in enumerate(each):
            if pattern.search(line):
                yield start, index
                break


def matching(text: str, parts: list[bytes]) -> NDArray[np.bool_]:
    """Tell for each part, a line of its own, whether a pattern matches in it."""
    search = compile_lines(text).search
    return np.array([search(part) is not None for part in parts], np.bool_)


def _unnamed(text: str) -> str:
    """Drop group names, which may stand only once in a joined expression."""
    for name in groups(text):
        text = text.replace(f"(?P<{name}>", "(?:")
    return text


def literal(text: str) -> str:
    """Return a pattern that matches `text` itself."""
    return str(re2.escape(text))
