"""The page and its parts, read once, packed once. They need no token: they say nothing of the site."""

import gzip
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


class _Part:
    def __init__(self, path: Path) -> None:
        self.plain = path.read_bytes()
        self.kind = KINDS[path.suffix]
        self.packed = None if path.suffix == ".png" else gzip.compress(self.plain, 9, mtime=0)
        self.tag = f'"{sha256(self.plain).hexdigest()[:16]}"'

    def answer(self, request: Request) -> Response:
        """The part, packed where that is taken; 304 where it is known already."""
        headers = {
            "ETag": self.tag,
            "Cache-Control": "no-cache",
            "Vary": "Accept-Encoding",
            "Content-Security-Policy": POLICY,
        }
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
