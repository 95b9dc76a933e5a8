"""The server: guard, pages, jobs, changes, and the built pages file by file."""

from __future__ import annotations

import mimetypes
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path

from fastapi import FastAPI, Request
from fastapi.responses import FileResponse, PlainTextResponse, Response
from pydantic import BaseModel
from starlette.exceptions import HTTPException

from throttlewright.web import changes, jobs
from throttlewright.web.bench import Bench
from throttlewright.web.errors import add_handlers
from throttlewright.web.registry import find_pages
from throttlewright.web.security import LOGIN, Guard, WrongTokens

__all__ = ["BUILD_COMMAND", "STATIC", "PageLine", "create_app", "static_files"]

STATIC = Path(__file__).resolve().parent / "static"
BUILD_COMMAND = "npm ci --prefix front && npm run build --prefix front"
"""What builds the pages in a checkout."""

_MEDIA = {
    ".html": "text/html; charset=utf-8",
    ".js": "text/javascript; charset=utf-8",
    ".css": "text/css; charset=utf-8",
    ".json": "application/json",
    ".svg": "image/svg+xml",
    ".woff2": "font/woff2",
    ".webmanifest": "application/manifest+json",
}


class PageLine(BaseModel):
    """A page of the workbench."""

    id: str
    title: str
    order: int
    question: str


class Login(BaseModel):
    """What opens the server."""

    ok: bool


def static_files(folder: Path) -> dict[str, Path]:
    """Return the files of the built pages by the address they are served at.

    Parameters
    ----------
    folder : Path
        Where they were built; it need not be there.

    Returns
    -------
    dict of str to Path
        Only what is on this list is ever served; hidden files and links are not on it.
    """
    found: dict[str, Path] = {}
    if not (folder / "index.html").is_file():
        return found
    for path in sorted(folder.rglob("*")):
        inner = path.relative_to(folder)
        hidden = any(part.startswith(".") for part in inner.parts)
        if path.is_file() and not path.is_symlink() and not hidden:
            found["/" + inner.as_posix()] = path
    return found


def _version() -> str:
    try:
        return version("throttlewright")
    except PackageNotFoundError:
        return "0"


def _add_static(app: FastAPI, folder: Path) -> None:
    files = static_files(folder)

    @app.get("/{path:path}", include_in_schema=False)
    def static(path: str, request: Request) -> Response:
        address = "/index.html" if path == "" else f"/{path}"
        if not files and path in ("", "index.html"):
            text = f"The pages are not built. In the checkout, run: {BUILD_COMMAND}\n"
            return PlainTextResponse(text, 503)
        found = files.get(address)
        if found is None:
            raise HTTPException(404)
        media = _MEDIA.get(found.suffix) or mimetypes.guess_type(found.name)[0]
        # The names under assets carry a hash of what is in them.
        lasting = address.startswith("/assets/")
        cache = "public, max-age=31536000, immutable" if lasting else "no-cache"
        return FileResponse(
            found,
            media_type=media or "application/octet-stream",
            headers={"cache-control": cache},
        )


def create_app(
    *,
    garage: Path | None,
    token: str | None = None,
    hosts: tuple[str, ...] = (),
    static: Path = STATIC,
    wrong: WrongTokens | None = None,
) -> FastAPI:
    """Return the server's app; it opens the garage when it starts.

    Parameters
    ----------
    garage : Path, optional
        Folder of the garage; the person's own when left out.
    token : str, optional
        Needed by each request when given.
    hosts : tuple of str
        Names of this server besides those of the loopback; ``0.0.0.0`` and ``::`` stand for
        any address of the machine.
    static : Path
        Built pages.
    wrong : WrongTokens, optional
        Rate limit on wrong tokens.

    Returns
    -------
    FastAPI
        ``app.state.bench`` holds the garage and the jobs while it runs.
    """

    @asynccontextmanager
    async def lifespan(app: FastAPI) -> AsyncIterator[None]:
        app.state.bench = Bench(garage)
        try:
            yield
        finally:
            app.state.bench.close()

    app = FastAPI(
        title="Throttlewright",
        version=_version(),
        docs_url=None,
        redoc_url=None,
        openapi_url="/api/openapi.json",
        lifespan=lifespan,
    )
    app.add_middleware(Guard, token=token, hosts=hosts, wrong=wrong)
    add_handlers(app)
    found = find_pages()
    lines = [
        PageLine(id=p.page.id, title=p.page.title, order=p.page.order, question=p.page.question)
        for p in found
    ]

    @app.get("/api/pages", tags=["pages"])
    def pages() -> list[PageLine]:
        """Return the pages in the order of the job."""
        return lines

    @app.post(LOGIN, tags=["access"])
    def login() -> Login:
        """Return whether the token is right; the guard answers where one is needed."""
        return Login(ok=True)

    app.include_router(jobs.router)
    app.include_router(changes.router)
    for page in found:
        app.include_router(page.router, tags=[page.page.id])
    _add_static(app, static)
    return app
