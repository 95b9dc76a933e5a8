"""Plain Python copies of compiled functions: the same equations without the compiler."""

from __future__ import annotations

from types import FunctionType
from typing import Any

__all__ = ["plain"]


def plain(function: Any, _made: dict[int, Any] | None = None) -> Any:
    """Rebuild a compiled function as plain Python, and all compiled functions that it calls.

    Parameters
    ----------
    function : compiled function
        With its Python source in ``py_func``.

    Returns
    -------
    function
        The same code with each compiled callee replaced by its plain copy.
    """
    made = {} if _made is None else _made
    if id(function) in made:
        return made[id(function)]
    source = function.py_func
    names = dict(source.__globals__)
    copy = FunctionType(
        source.__code__, names, source.__name__, source.__defaults__, source.__closure__
    )
    copy.__kwdefaults__ = source.__kwdefaults__
    made[id(function)] = copy
    for name in source.__code__.co_names:
        callee = names.get(name)
        if hasattr(callee, "py_func"):
            names[name] = plain(callee, made)
    return copy
