"""The page and its parts, read once, packed once. They need no token: they say nothing of the site.

What a thumb needs at once, the style and the first script, travels within the page: one answer instead of two in turn.
"""

import gzip
import re
from base64 import b64encode
from hashlib import sha256
from pathlib import Path

from fastapi import FastAPI, Request, Response

FOLDER = Path(__file__).with_name("page")
WITHIN = ("page.css", "page.js")
KINDS = {
    ".html": "text/html; charset=utf-8",
    ".css": "text/css; charset=utf-8",
    ".js": "text/javascript; charset=utf-8",
    ".svg": "image/svg+xml",
    ".png": "image/png",
    ".webmanifest": "application/manifest+json",
}
POLICY = (
    "default-src 'none'; script-src 'self' {script}; style-src {style}; img-src 'self'; connect-src 'self'; "
    "manifest-src 'self'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
)


def _tag(content: bytes) -> str:
    return sha256(content).hexdigest()[:16]


def _content(path: Path) -> bytes:
    """What is sent of a part: text without its indents and whole-line comments, with its parts or their tags in it."""
    if path.suffix == ".png":
        return path.read_bytes()
    lines = (line.strip() for line in path.read_text(encoding="utf-8").splitlines())
    text = "\n".join(line for line in lines if line and not line.startswith(("//", "/*")))
    for name in WITHIN if path.suffix == ".html" else ():
        part = _content(FOLDER / name).decode()
        text = text.replace(f'<link rel="stylesheet" href="{name}">', f"<style>{part}</style>")
        text = text.replace(f'<script src="{name}"></script>', f"<script>{part}</script>")
    return _versioned(text).encode()


def _policy(page: str) -> str:
    """What the page may fetch and run: of what stands within it, only that, by its hash (CSP3, 2.3.1)."""

    def allowed(tag: str) -> str:
        within = page.partition(f"<{tag}>")[2].partition(f"</{tag}>")[0]
        return f"'sha256-{b64encode(sha256(within.encode()).digest()).decode()}'"

    return POLICY.format(script=allowed("script"), style=allowed("style"))


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
        self.policy = _policy(self.plain.decode()) if path.suffix == ".html" else None

    def answer(self, request: Request) -> Response:
        """The part, packed where that is taken; 304 where it is known already."""
        lasting = request.query_params.get("v") == _tag(self.plain)
        headers = {
            "ETag": self.tag,
            "Cache-Control": "max-age=31536000, immutable" if lasting else "no-cache",
            "Vary": "Accept-Encoding",
        }
        if self.policy:
            headers["Content-Security-Policy"] = self.policy
        if self.tag in request.headers.get("if-none-match", ""):
            return Response(None, 304, headers)
        if self.packed is not None and "gzip" in request.headers.get("accept-encoding", ""):
            return Response(self.packed, 200, {**headers, "Content-Encoding": "gzip"}, self.kind)
        return Response(self.plain, 200, headers, self.kind)


def add_page(app: FastAPI) -> None:
    """Add the page at `/`, and its parts beside it by their names."""
    for path in sorted(FOLDER.iterdir()):
        if path.suffix in KINDS and path.name not in WITHIN:
            name = "" if path.name == "page.html" else path.name
            app.add_route(f"/{name}", _Part(path).answer, methods=["GET"], include_in_schema=False)
