"""The page's own files, read once and served from memory: a closed list, so no path can lead elsewhere."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from importlib import resources

from fastapi import APIRouter, Request
from fastapi.responses import Response

from monitor.api.problems import Refused

shell = APIRouter(include_in_schema=False)

_TYPES = {
    "html": "text/html; charset=utf-8",
    "css": "text/css; charset=utf-8",
    "js": "text/javascript; charset=utf-8",
    "svg": "image/svg+xml",
    "png": "image/png",
    "webmanifest": "application/manifest+json",
    "txt": "text/plain; charset=utf-8",
}


@dataclass(frozen=True, slots=True)
class _File:
    content: bytes
    media_type: str
    tag: str


def _load() -> dict[str, _File]:
    files = {}
    for entry in resources.files("monitor.api").joinpath("page").iterdir():
        ending = entry.name.rpartition(".")[2]
        if entry.is_file() and ending in _TYPES:
            content = entry.read_bytes()
            files[entry.name] = _File(content, _TYPES[ending], f'"{hashlib.sha256(content).hexdigest()[:20]}"')
    return files


_FILES = _load()
# One name for the whole set: the page's service worker keeps exactly one version of the shell.
_VERSION = hashlib.sha256("".join(f"{name}{file.tag}" for name, file in sorted(_FILES.items())).encode()).hexdigest()[:16]


def _serve(request: Request, name: str, headers: dict[str, str] | None = None) -> Response:
    file = _FILES.get(name)
    if file is None:
        raise Refused(404, "there is no such file of the page")
    told = {"ETag": file.tag, "Cache-Control": "no-cache", **(headers or {})}
    if file.tag in request.headers.get("if-none-match", ""):
        return Response(status_code=304, headers=told)
    return Response(file.content, media_type=file.media_type, headers=told)


@shell.get("/")
def front(request: Request) -> Response:
    """The page. It holds no figures; those come by the API to those who are signed in."""
    return _serve(request, "index.html")


@shell.get("/yard")
def yard_front(request: Request) -> Response:
    """The page of the whole yard; its figures, too, come by the API to those who are signed in."""
    return _serve(request, "yard.html")


@shell.get("/worker.js")
def worker(request: Request) -> Response:
    """The service worker, with the version of the shell written into its first line."""
    file = _FILES["worker.js"]
    content = f'const VERSION = "{_VERSION}";\n'.encode() + file.content
    tag = f'"{_VERSION}"'
    if tag in request.headers.get("if-none-match", ""):
        return Response(status_code=304, headers={"ETag": tag, "Cache-Control": "no-cache"})
    return Response(content, media_type=file.media_type, headers={"ETag": tag, "Cache-Control": "no-cache"})


@shell.get("/manifest.webmanifest")
def manifest(request: Request) -> Response:
    return _serve(request, "manifest.webmanifest")


@shell.get("/page/{name}")
def part(request: Request, name: str) -> Response:
    return _serve(request, name)
