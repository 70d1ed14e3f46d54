"""The page and its parts. They need no token, because they have no data of the site.

The style and the first script are inside the page, so that one answer is enough for PAUSE. The address of the other
parts has a tag of their content, so that a phone can store them for ever.
"""

import re
from base64 import b64encode
from hashlib import sha256
from pathlib import Path

from fastapi import FastAPI
from starlette.datastructures import Headers
from starlette.middleware.gzip import GZipMiddleware
from starlette.responses import HTMLResponse, Response
from starlette.routing import Route
from starlette.staticfiles import StaticFiles
from starlette.types import Receive, Scope, Send

FOLDER = Path(__file__).with_name("page")
PARTS = FOLDER / "static"
POLICY = (
    "default-src 'none'; script-src 'self' {script}; style-src {style}; img-src 'self'; connect-src 'self'; "
    "manifest-src 'self'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
)


class Page:
    """The page, with its style and its first script inside. ASGI."""

    def __init__(self, parts_tag: str) -> None:
        text = (FOLDER / "page.html").read_text(encoding="utf-8")
        style, script = ((FOLDER / name).read_text(encoding="utf-8") for name in ("page.css", "page.js"))
        text = text.replace('<link rel="stylesheet" href="page.css">', f"<style>{style}</style>")
        text = text.replace('<script src="page.js"></script>', f"<script>{script}</script>")
        for part in PARTS.iterdir():
            text = re.sub(rf'"(\./)?{re.escape(part.name)}"', f'"/page/{parts_tag}/{part.name}"', text)
        self.text = text
        self.headers = {
            "ETag": f'"{_tag(text.encode())}"',
            "Cache-Control": "no-cache",
            "Content-Security-Policy": POLICY.format(script=_hash(text, "script"), style=_hash(text, "style")),
        }

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        known = self.headers["ETag"] in Headers(scope=scope).get("if-none-match", "")
        answer = Response(None, 304, self.headers) if known else HTMLResponse(self.text, headers=self.headers)
        await answer(scope, receive, send)


class PageParts(StaticFiles):
    """The parts. A page that was open during an upgrade has another tag: it gets these parts without storing them."""

    def __init__(self) -> None:
        super().__init__(directory=PARTS)
        self.tag = _tag(b"".join(path.read_bytes() for path in sorted(PARTS.iterdir())))

    async def get_response(self, path: str, scope: Scope) -> Response:
        answer = await super().get_response(path, scope)
        lasting = scope["path_params"]["tag"] == self.tag
        answer.headers["Cache-Control"] = "max-age=31536000, immutable" if lasting else "no-cache"
        return answer


def add_page(app: FastAPI) -> None:
    """Add the page at `/`, and its parts below `/page/TAG/`."""
    parts = PageParts()
    app.router.routes.append(Route("/", GZipMiddleware(Page(parts.tag)), methods=["GET"], include_in_schema=False))
    app.mount("/page/{tag}", GZipMiddleware(parts))


def _tag(content: bytes) -> str:
    return sha256(content).hexdigest()[:16]


def _hash(page: str, tag: str) -> str:
    """The hash by which the policy allows the script or style inside the page (CSP3, 2.3.1)."""
    within = page.partition(f"<{tag}>")[2].partition(f"</{tag}>")[0]
    return f"'sha256-{b64encode(sha256(within.encode()).digest()).decode()}'"
