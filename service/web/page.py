"""The page's files, found once at the start: what a request asks for never becomes a path."""

import hashlib
from dataclasses import dataclass
from importlib.resources import files
from importlib.resources.abc import Traversable
from typing import Final

from fastapi import APIRouter, Request, Response
from fastapi.responses import HTMLResponse
from starlette.exceptions import HTTPException

__all__ = ["page_routes"]

_TYPES: Final = {
    ".html": "text/html; charset=utf-8",
    ".js": "text/javascript; charset=utf-8",
    ".css": "text/css; charset=utf-8",
    ".svg": "image/svg+xml",
    ".png": "image/png",
}
"""Kinds of files that are served, and what they are."""
_DOCS: Final = """<!doctype html>
<html lang="en"><head><meta charset="utf-8"><title>Evenhush API</title>
<link rel="stylesheet" href="/static/docs/swagger-ui.css"></head>
<body><div id="swagger-ui"></div>
<script src="/static/docs/swagger-ui-bundle.js"></script>
<script src="/static/docs.js"></script></body></html>
"""


@dataclass(frozen=True, slots=True)
class _Served:
    """A file with what a browser is told of it."""

    data: bytes
    kind: str
    tag: str


def page_routes() -> APIRouter:
    """Read all files and make the routes that serve them.

    Returns
    -------
    APIRouter
        The routes.
    """
    served = {
        **_found(files("service.web") / "static", ""),
        **_only(files("plotly") / "package_data", "", ["plotly.min.js"]),
        **_only(
            files("swagger_ui_bundle") / "vendor",
            "docs/",
            ["swagger-ui.css", "swagger-ui-bundle.js"],
        ),
    }
    router = APIRouter(include_in_schema=False)

    @router.get("/")
    def page(request: Request) -> Response:
        """Serve the page."""
        return _answer(served["index.html"], request)

    @router.get("/static/{name:path}")
    def static(name: str, request: Request) -> Response:
        """Serve one of the files that were found."""
        if name not in served:
            raise HTTPException(404)
        return _answer(served[name], request)

    @router.get("/docs")
    def docs() -> HTMLResponse:
        """Serve the description of the API, without anything from elsewhere."""
        return HTMLResponse(_DOCS)

    return router


def _answer(file: _Served, request: Request) -> Response:
    """Serve a file, or say that the browser has it already."""
    headers = {"ETag": file.tag, "Cache-Control": "no-cache"}
    known = [
        tag.strip().removeprefix("W/")
        for tag in request.headers.get("if-none-match", "").split(",")
    ]
    if file.tag in known:
        return Response(status_code=304, headers=headers)
    return Response(file.data, media_type=file.kind, headers=headers)


def _found(folder: Traversable, prefix: str) -> dict[str, _Served]:
    """Read the files of a folder and of those in it."""
    served: dict[str, _Served] = {}
    for child in folder.iterdir():
        if child.is_dir():
            served |= _found(child, f"{prefix}{child.name}/")
        else:
            served |= _read(child, f"{prefix}{child.name}")
    return served


def _only(folder: Traversable, prefix: str, names: list[str]) -> dict[str, _Served]:
    """Read some files of an installed package, wherever in it they stand."""
    served: dict[str, _Served] = {}
    for child in folder.iterdir():
        if child.is_dir():
            served |= _only(child, prefix, names)
        elif child.name in names:
            served |= _read(child, f"{prefix}{child.name}")
    return served


def _read(file: Traversable, name: str) -> dict[str, _Served]:
    """Read a file of a kind that is served."""
    kind = _TYPES.get(f".{name.rpartition('.')[2]}")
    if kind is None:
        return {}
    data = file.read_bytes()
    return {name: _Served(data, kind, f'"{hashlib.sha256(data).hexdigest()[:24]}"')}
