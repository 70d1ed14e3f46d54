"""A report as a whole HTML page, with its policy."""

from fastapi.responses import HTMLResponse

POLICY = (
    "default-src 'none'; style-src 'unsafe-inline'; img-src data:; base-uri 'none'; form-action 'none'; "
    "frame-ancestors 'self'"
)
"""A document runs no script and fetches nothing. Only a page of the board shows it in a frame."""


class HTMLDocument(HTMLResponse):
    """The answer."""

    def __init__(self, text: str, status_code: int = 200) -> None:
        super().__init__(text, status_code, headers={"Content-Security-Policy": POLICY})
