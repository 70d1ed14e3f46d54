"""site.toml and rig.toml over HTTP: read, checked, changed by forms, saved, and put back as they were."""

import asyncio
from dataclasses import asdict
from typing import Annotated

from fastapi import APIRouter, Depends, HTTPException

from gloaming.api.http.auth.authenticator import AuthenticatedDevice
from gloaming.api.http.auth.routes import DeviceDependency
from gloaming.api.http.schemas import setup
from gloaming.api.http.schemas.base import Expected
from gloaming.api.http.schemas.forms import FormValues
from gloaming.daemon.direction.decide import isoformat
from gloaming.daemon.planner.planner import Planner
from gloaming.daemon.site.versions import Version

Id = Annotated[int, Expected("{value!r} is not the id of a version", "GET /api/setup/site/versions has the ids")]


def site_files_router(planner: Planner, owner: DeviceDependency) -> APIRouter:
    """The routes, for an `owner` only: the files may hold secrets."""
    router = APIRouter(prefix="/site")
    site_files = planner.site_files
    Owner = Annotated[AuthenticatedDevice, Depends(owner)]

    @router.get("")
    async def read(_: Owner) -> setup.SiteFilesGiven:
        """Both files as they are on the disk, their version, and the mistakes for which they are not used."""
        return setup.SiteFilesGiven.model_validate(asdict(await site_files.read()))

    @router.post("/check")
    async def check(asked: setup.SiteFilesRequest, device: Owner) -> setup.SiteCheckedGiven:
        """What texts would make: their mistakes, why they would be refused, what would change on which nights, and the
        season's picture before and after. Nothing is saved. Of the checks of a device that wait, only the newest runs;
        the others get 409 with the code newer-check."""
        found = asdict(await site_files.check(asked.files.model_dump(), f"{device.id}"))
        different = found.pop("differences") or {"changes": [], "before_svg": None, "after_svg": None}
        values = FormValues.of(getattr(asked.files, "site.toml"))
        return setup.SiteCheckedGiven.model_validate(found | different | {"values": values})

    @router.put("")
    async def save(asked: setup.SaveSiteRequest, device: Owner) -> setup.SiteSavedGiven:
        """Save both files in place of a version, and read the site again. 409 with the code edited-meanwhile if the
        files have changed since, mistakes if there are some (`force` saves them, and the running site stays), and
        neighbours-hours, hook-command or clock-trust for what takes the file on the board itself. With 409 nothing
        changes."""
        files = asked.files.model_dump()
        found = await site_files.save(files, asked.version, device.name, asked.force)
        return setup.SiteSavedGiven.model_validate(asdict(found))

    @router.post("/change")
    async def change(asked: setup.ChangeSiteRequest, _: Owner) -> setup.SiteTextsGiven:
        """Changes of a form, made in the text of site.toml with its comments and its order. Nothing is saved."""
        changes = [one.model_dump(exclude_unset=True) for one in asked.changes]
        return setup.SiteTextsGiven(files=site_files.changed(asked.files.model_dump(), changes))

    @router.get("/versions")
    async def versions(_: Owner) -> list[setup.SiteVersionListed]:
        """The versions that were saved, the newest first."""
        return [
            setup.SiteVersionListed.model_validate(_listed(one)) for one in await asyncio.to_thread(site_files.versions)
        ]

    @router.get("/versions/{id}")
    async def version(id: Id, _: Owner) -> setup.SiteVersionGiven:
        """A version, with its files."""
        found = await asyncio.to_thread(site_files.version, id)
        if found is None:
            raise _missing(id)
        return setup.SiteVersionGiven.model_validate({**_listed(found[0]), "files": found[1]})

    @router.post("/versions/{id}/restore")
    async def restore(id: Id, device: Owner) -> setup.SiteSavedGiven:
        """Save the files of a version again, as a new version. The same checks hold as for any save."""
        try:
            found = await site_files.restore(id, device.name)
        except LookupError:
            raise _missing(id) from None
        return setup.SiteSavedGiven.model_validate(asdict(found))

    def _listed(one: Version) -> dict[str, object]:
        at = isoformat(one.at_ns, planner.site.timezone)
        return {"id": one.id, "at": at, "who": one.who, "text": one.text, "version": one.digest, "board": one.board}

    return router


def _missing(id: int) -> HTTPException:
    return HTTPException(404, f"there is no version {id}; GET /api/setup/site/versions has the ids")
