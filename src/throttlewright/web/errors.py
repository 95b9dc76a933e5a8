"""Errors as the pages get them: one sentence, and the parts it is made of."""

from __future__ import annotations

import math
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

from fastapi import FastAPI, Request
from fastapi.exceptions import RequestValidationError
from fastapi.responses import JSONResponse
from starlette.exceptions import HTTPException

from throttlewright.foundation.errors import InputError, ThrottlewrightError
from throttlewright.workshop.held import ConflictError, StaleWriteError

__all__ = ["NotFoundError", "add_handlers", "error_body", "needed", "status_of"]


class NotFoundError(InputError):
    """What the address names is not there."""


@contextmanager
def needed() -> Iterator[None]:
    """Turn the error of a look-up by the address into NotFoundError."""
    try:
        yield
    except ConflictError:
        raise
    except InputError as error:
        raise NotFoundError(
            error.message,
            file=error.file,
            key=error.key,
            value=error.value,
            allowed=error.allowed,
            advice=error.advice,
        ) from None


def _plain(value: object) -> object:
    if isinstance(value, bool | int) or value is None:
        return value
    if isinstance(value, float) and math.isfinite(value):
        return value
    # Half of a pair of surrogates can come in through JSON, but cannot go out as UTF-8.
    return str(value)[:1000].encode("utf-8", "replace").decode()


def error_body(error: ThrottlewrightError) -> dict[str, Any]:
    """Return what a page needs to show an error.

    Parameters
    ----------
    error : ThrottlewrightError
        What went wrong.

    Returns
    -------
    dict
        ``error`` is the whole sentence; ``yours`` and ``theirs`` are the revisions of a conflict.
    """
    body: dict[str, Any] = {"error": _plain(str(error))}
    if isinstance(error, InputError):
        body |= {
            "message": _plain(error.message),
            "key": _plain(error.key),
            "value": _plain(error.value),
            "allowed": _plain(error.allowed),
            "advice": _plain(error.advice),
        }
    if isinstance(error, StaleWriteError):
        body |= {"yours": error.kept or None, "theirs": error.newest or None}
    elif isinstance(error, ConflictError):
        body |= {"yours": None, "theirs": None}
    return body


def status_of(error: ThrottlewrightError) -> int:
    """Return the HTTP status of an error."""
    if isinstance(error, NotFoundError):
        return 404
    return 409 if isinstance(error, ConflictError) else 422


async def _ours(request: Request, error: Exception) -> JSONResponse:
    if not isinstance(error, ThrottlewrightError):
        raise error
    return JSONResponse(error_body(error), status_of(error))


async def _http(request: Request, error: Exception) -> JSONResponse:
    if not isinstance(error, HTTPException):
        raise error
    text = {404: "there is nothing at this address", 405: "this address does not take that"}
    sentence = text.get(error.status_code, str(error.detail))
    if error.status_code == 404 and error.detail != "Not Found":
        sentence = str(error.detail)
    return JSONResponse({"error": sentence}, error.status_code, headers=error.headers)


async def _shape(request: Request, error: Exception) -> JSONResponse:
    if not isinstance(error, RequestValidationError):
        raise error
    first = error.errors()[0]
    place = [str(part) for part in first.get("loc", ())]
    key = ".".join(place[1:] or place)
    message = " ".join(str(first.get("msg", "cannot be used")).split())
    body = {
        "error": _plain(f"{key}: {message}."),
        "message": _plain(message),
        "key": _plain(key),
        "value": _plain(str(first.get("input"))[:200]),
        "allowed": None,
        "advice": None,
    }
    return JSONResponse(body, 422)


def add_handlers(app: FastAPI) -> None:
    """Make an app answer with sentences.

    Parameters
    ----------
    app : FastAPI
        Changed in place.
    """
    app.add_exception_handler(ThrottlewrightError, _ours)
    app.add_exception_handler(HTTPException, _http)
    app.add_exception_handler(RequestValidationError, _shape)
