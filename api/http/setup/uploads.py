"""Uploads by the tus protocol 1.0.0 (https://tus.io/protocols/resumable-upload): its core, creation and termination.

Comments name its sections. The files are those of `daemon/planner/uploads.py`: for pieces, and for a site that is
pushed.
"""

import base64
import binascii
from collections.abc import Callable

from fastapi import APIRouter, Request, Response
from starlette.exceptions import HTTPException
from starlette.requests import ClientDisconnect

from gloaming.daemon.planner.uploads import PieceFileError, PieceFileProblem, Upload, Uploads

VERSION = "1.0.0"
TUS = {"Tus-Resumable": VERSION}
"""Tus-Resumable: every answer has this header, refusals too."""
EXTENSIONS = "creation,termination"
CONTENT_TYPE = "application/offset+octet-stream"


def uploads_router(
    path: str, uploads: Uploads, begin: Callable[[str, int], Upload], now_ns: Callable[[], int]
) -> APIRouter:
    """The routes at a path. `begin` makes an upload of a name and a length. They are no part of the OpenAPI document:
    the protocol describes them."""
    router = APIRouter(prefix=path, include_in_schema=False)

    def answer(status: int, **headers: object) -> Response:
        named = {name.replace("_", "-").title(): str(value) for name, value in headers.items()}
        return Response(status_code=status, headers={**TUS, **named})

    @router.options("")
    @router.options("/{id}")
    async def options(id: str = "") -> Response:
        """OPTIONS: what this server can do."""
        return answer(204, tus_version=VERSION, tus_extension=EXTENSIONS, tus_max_size=uploads.free_bytes())

    @router.post("")
    async def create(request: Request) -> Response:
        """Creation, POST: begin an upload. Upload-Metadata has the file's name."""
        check_version(request)
        length = whole_number(request, "upload-length")
        upload = begin(file_name(request), length)
        return answer(201, location=f"{path}/{upload.id}", upload_offset=0)

    @router.head("/{id}")
    async def head(id: str, request: Request) -> Response:
        """HEAD: how much has arrived."""
        check_version(request)
        upload = uploads.find(id)
        name = base64.b64encode(upload.name.encode()).decode()
        metadata = f"filename {name}"
        return answer(200, upload_offset=upload.offset, upload_length=upload.length, upload_metadata=metadata)

    @router.patch("/{id}")
    async def patch(id: str, request: Request) -> Response:
        """PATCH: the next bytes."""
        check_version(request)
        if request.headers.get("content-type") != CONTENT_TYPE:
            raise HTTPException(415, f"the content type of an upload is {CONTENT_TYPE}", TUS)
        offset, upload = whole_number(request, "upload-offset"), uploads.find(id)
        if int(request.headers.get("content-length", 0)) > upload.length - offset:
            raise PieceFileError(PieceFileProblem.LENGTH, f"{upload.name} has more bytes than its {upload.length}")
        try:
            upload = await uploads.append(id, offset, request.stream(), now_ns)
        except ClientDisconnect:
            return answer(400)  # nobody reads it
        except TimeoutError:
            problem = "the upload has stalled; what has arrived is kept, so go on from there"
            raise HTTPException(408, problem, {**TUS, "Connection": "close"}) from None
        return answer(204, upload_offset=upload.offset)

    @router.delete("/{id}")
    async def terminate(id: str, request: Request) -> Response:
        """Termination, DELETE."""
        check_version(request)
        uploads.remove(id)
        return answer(204)

    @router.post("/{id}")
    async def other_method(id: str, request: Request) -> Response:
        """Requests, X-HTTP-Method-Override: for clients that can only POST."""
        method = request.headers.get("x-http-method-override", "").upper()
        if method not in ("PATCH", "DELETE"):
            raise HTTPException(405, "an upload takes HEAD, PATCH and DELETE", {**TUS, "Allow": "HEAD, PATCH, DELETE"})
        return await (patch if method == "PATCH" else terminate)(id, request)

    return router


def check_version(request: Request) -> None:
    """Tus-Resumable: a request in another version is refused."""
    if request.headers.get("tus-resumable") != VERSION:
        raise HTTPException(412, f"this server speaks tus {VERSION}", {**TUS, "Tus-Version": VERSION})


def whole_number(request: Request, header: str) -> int:
    text = request.headers.get(header, "")
    if not (text.isascii() and text.isdigit() and len(text) < 19):
        raise HTTPException(400, f"{header} must be a whole number of bytes", TUS)
    return int(text)


def file_name(request: Request) -> str:
    """Creation, Upload-Metadata: pairs of a key and a value in base64, with commas between."""
    pairs = (pair.strip().partition(" ") for pair in request.headers.get("upload-metadata", "").split(","))
    values = {key: value for key, _, value in pairs}
    try:
        return base64.b64decode(values.get("filename", ""), validate=True).decode()
    except (binascii.Error, UnicodeDecodeError):
        raise HTTPException(400, "upload-metadata must have the file's name, as filename and base64", TUS) from None
