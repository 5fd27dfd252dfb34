"""Results kept as long as what they were made from, and no longer."""

from __future__ import annotations

import weakref
from collections.abc import Callable
from functools import wraps
from threading import RLock
from typing import Any, TypeVar, cast

Function = TypeVar("Function", bound=Callable[..., Any])


def kept_with_owner(most: int) -> Callable[[Function], Function]:
    """Keep a function's last `most` results on its first argument, a record without slots; they go when it goes.

    A cache of the module's own would hold every mesh it was asked for as long as the program runs. Further arguments
    are told apart by value where they compare by value, else by identity, without holding them. Threads that ask for
    the same at once wait for the first: nothing is made twice.
    """

    def decorate(function: Function) -> Function:
        @wraps(function)
        def ask(owner: object, *others: object) -> object:
            name = function.__qualname__
            with owner.__dict__.setdefault("_kept_locks", {}).setdefault(name, RLock()):
                entries = owner.__dict__.setdefault("_kept", {}).setdefault(name, [])
                for known, value in entries:
                    if len(known) == len(others) and all(map(_is_same, known, others)):
                        return value
                value = function(owner, *others)
                entries.insert(0, (tuple(map(_mark_of, others)), value))
                del entries[most:]
                return value

        return cast(Function, ask)

    return decorate


def _by_identity(thing: object) -> bool:
    return type(thing).__eq__ is object.__eq__


def _mark_of(thing: object) -> object:
    return weakref.ref(thing) if _by_identity(thing) else thing


def _is_same(known: object, thing: object) -> bool:
    if _by_identity(thing):
        return isinstance(known, weakref.ref) and known() is thing
    return type(known) is type(thing) and bool(known == thing)
