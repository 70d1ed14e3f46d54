"""The phone page, the page of the set-up, and their parts. They need no token, because they have no data of the site.

The styles and the first scripts are inside a page, so that one answer is enough for PAUSE. The address of the other
parts has a tag of their content, so that a browser can store them for ever.
"""

import re
from base64 import b64encode
from collections.abc import Mapping
from hashlib import sha256
from pathlib import Path

from fastapi import FastAPI
from starlette.datastructures import Headers
from starlette.exceptions import HTTPException
from starlette.responses import HTMLResponse, Response
from starlette.routing import Route
from starlette.staticfiles import StaticFiles
from starlette.types import Receive, Scope, Send

FOLDER = Path(__file__).with_name("page")
PHONE = ("page.html", "page.css", "common.js", "page.js")
SETUP = ("setup/setup.html", "page.css", "setup/setup.css", "common.js", "setup/setup.js")
"""The sources of a page: its HTML, and what goes inside it."""
SIGN = ("sign.html",)
POLICY = (
    "default-src 'none'; script-src 'self' {script}; style-src {style}; img-src 'self'; connect-src 'self'; "
    "manifest-src 'self'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
)
SETUP_POLICY = POLICY.replace("img-src 'self'", "img-src 'self' blob:; frame-src 'self'")
"""The page of the set-up shows documents of the board in a frame, and pictures that it has made."""


class Page:
    """A page, with its styles and its first scripts inside. `parts` has the address of each other part. ASGI."""

    def __init__(self, sources: tuple[str, ...], parts: Mapping[str, str], policy: str) -> None:
        html, *within = ((FOLDER / name).read_text(encoding="utf-8") for name in sources)
        for tag, ending in (("style", ".css"), ("script", ".js")):
            content = "".join(text for name, text in zip(sources[1:], within, strict=True) if name.endswith(ending))
            html = html.replace(f"<{tag}></{tag}>", f"<{tag}>{content}</{tag}>")
        for name, address in parts.items():
            html = re.sub(rf'"(\./)?{re.escape(name)}"', f'"{address}"', html)
        self.text = html
        self.headers = {
            "ETag": f'"{_tag(html.encode())}"',
            "Cache-Control": "no-cache",
            "Content-Security-Policy": policy.format(script=_hash(html, "script"), style=_hash(html, "style")),
        }

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        known = self.headers["ETag"] in Headers(scope=scope).get("if-none-match", "")
        answer = Response(None, 304, self.headers) if known else HTMLResponse(self.text, headers=self.headers)
        await answer(scope, receive, send)


class PageParts(StaticFiles):
    """The parts in a folder. A page that was open during an upgrade has another tag: it does not store what it gets."""

    def __init__(self, folder: Path) -> None:
        super().__init__(directory=folder)
        inside = {FOLDER / name for name in (*PHONE, *SETUP)}
        paths = sorted(path for path in folder.iterdir() if path not in inside)
        self.names = [path.name for path in paths]
        self.tag = _tag(b"".join(path.read_bytes() for path in paths))

    async def get_response(self, path: str, scope: Scope) -> Response:
        if path not in self.names:
            raise HTTPException(404)
        answer = await super().get_response(path, scope)
        lasting = scope["path_params"]["tag"] == self.tag
        answer.headers["Cache-Control"] = "max-age=31536000, immutable" if lasting else "no-cache"
        return answer


def add_pages(app: FastAPI) -> None:
    """Add the phone page at `/` and the page of the set-up at `/setup`, and their parts below `/page/TAG/` and
    `/setup/TAG/`; and the sign at `/sign`, which the middleware hides where it is off."""
    addresses: dict[str, str] = {}
    for path, folder, sources, policy in (("/", "static", PHONE, POLICY), ("/setup", "setup", SETUP, SETUP_POLICY)):
        below = "/page" if path == "/" else path
        parts = PageParts(FOLDER / folder)
        addresses |= {name: f"{below}/{parts.tag}/{name}" for name in parts.names}
        page = Page(sources, addresses, policy)
        app.router.routes.append(Route(path, page, methods=["GET"], include_in_schema=False))
        app.mount(f"{below}/{{tag}}", parts)
    sign = Page(SIGN, addresses, POLICY)
    app.router.routes.append(Route("/sign", sign, methods=["GET"], include_in_schema=False))


def _tag(content: bytes) -> str:
    return sha256(content).hexdigest()[:16]


def _hash(page: str, tag: str) -> str:
    """The hash by which the policy allows the script or style inside the page (CSP3, 2.3.1)."""
    within = page.partition(f"<{tag}>")[2].partition(f"</{tag}>")[0]
    return f"'sha256-{b64encode(sha256(within.encode()).digest()).decode()}'"
