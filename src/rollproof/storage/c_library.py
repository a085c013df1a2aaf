"""Functions of a C library, called by several threads."""

from __future__ import annotations

from typing import Any


def prepared(library: Any, name: str, *arguments: Any, result: Any = None) -> Any:
    """A function of the library that takes arguments of these `ctypes` types, and gives an int or a `result`; None
    where the library has none of that name.

    To be made once and kept. Whoever tells the types anew at each call frees the ones that another thread's call is
    just being made with: it fails, or worse.
    """
    function = getattr(library, name, None)
    if function is not None:
        function.argtypes = arguments
        if result is not None:
            function.restype = result
    return function
