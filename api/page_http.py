"""The page and its parts, read once, packed once. They need no token: they say nothing of the site."""

import gzip
import re
from hashlib import sha256
from pathlib import Path

from fastapi import FastAPI, Request, Response

FOLDER = Path(__file__).with_name("page")
KINDS = {
    ".html": "text/html; charset=utf-8",
    ".css": "text/css; charset=utf-8",
    ".js": "text/javascript; charset=utf-8",
    ".svg": "image/svg+xml",
    ".png": "image/png",
    ".webmanifest": "application/manifest+json",
}
POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; connect-src 'self'; "
    "manifest-src 'self'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
)


def _tag(content: bytes) -> str:
    return sha256(content).hexdigest()[:16]


def _content(path: Path) -> bytes:
    """What is sent of a part: text without its indents and whole-line comments, the page with its parts' tags."""
    if path.suffix == ".png":
        return path.read_bytes()
    lines = (line.strip() for line in path.read_text(encoding="utf-8").splitlines())
    text = "\n".join(line for line in lines if line and not line.startswith(("//", "/*")))
    return _versioned(text).encode()


def _versioned(text: str) -> str:
    """A part with a tag of their content behind the names of others, so that a phone may keep them."""

    def named(found: re.Match[str]) -> str:
        return f'"{found[1] or ""}{found[2]}?v={_tag(_content(FOLDER / found[2]))}"'

    return re.sub(r'"(\./)?([\w-]+\.(?:css|js|png))"', named, text)


class _Part:
    def __init__(self, path: Path) -> None:
        self.plain = _content(path)
        self.kind = KINDS[path.suffix]
        self.packed = None if path.suffix == ".png" else gzip.compress(self.plain, 9, mtime=0)
        self.tag = f'"{_tag(self.plain)}"'

    def answer(self, request: Request) -> Response:
        """The part, packed where that is taken; 304 where it is known already."""
        lasting = request.query_params.get("v") == _tag(self.plain)
        headers = {
            "ETag": self.tag,
            "Cache-Control": "max-age=31536000, immutable" if lasting else "no-cache",
            "Vary": "Accept-Encoding",
        }
        if self.kind.startswith("text/html"):
            headers["Content-Security-Policy"] = POLICY
        if self.tag in request.headers.get("if-none-match", ""):
            return Response(None, 304, headers)
        if self.packed is not None and "gzip" in request.headers.get("accept-encoding", ""):
            return Response(self.packed, 200, {**headers, "Content-Encoding": "gzip"}, self.kind)
        return Response(self.plain, 200, headers, self.kind)


def add_page(app: FastAPI) -> None:
    """Add the page at `/`, and its parts beside it by their names."""
    for path in sorted(FOLDER.iterdir()):
        if path.suffix in KINDS:
            name = "" if path.name == "page.html" else path.name
            app.add_route(f"/{name}", _Part(path).answer, methods=["GET"], include_in_schema=False)
