"""The site's files: read again when they change, then adopted whole or refused with their mistakes."""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable
from pathlib import Path

from gloaming.daemon.direction.occurrences import rule_ids
from gloaming.daemon.planner.situation import Situation
from gloaming.daemon.planner.troubles import Trouble, TroubleCode
from gloaming.daemon.site.last_good import store_good, with_hours_of
from gloaming.daemon.site.load import load_site
from gloaming.daemon.site.reload import FileWatch, stamp_of
from gloaming.daemon.site.site import Site
from gloaming.shows.config_files.errors import InputError

ADDED = "the neighbours' hours that it adds hold from now on; everything else waits until the mistake is corrected"


class SiteWatch:
    """`adopt` is called with each new site, `taken_over` after a site without a mistake is adopted."""

    def __init__(
        self,
        situation: Situation,
        state: Path,
        adopt: Callable[[Site], None],
        taken_over: Callable[[Site], Awaitable[None]],
    ) -> None:
        self._situation, self._state, self._adopt, self._taken_over = situation, state, adopt, taken_over
        self._watch = FileWatch(stamp_of(situation.site))
        self.good = situation.site
        """The last site without a mistake."""
        self.refused: InputError | None = None
        self._reading = asyncio.Lock()
        """One reading at a time: otherwise the one that ends last would count, whatever it has read."""

    async def look(self) -> None:
        """Read the site again once its files have changed and change no more."""
        if self._watch.due(stamp_of(self._situation.site)):
            await self.reload("its files have changed")

    async def reload(self, why: str) -> bool:
        """Read the site again. False if it is refused; `refused` has the mistakes."""
        async with self._reading:
            return await self._reload(why)

    async def _reload(self, why: str) -> bool:
        now = self._situation
        found = stamp_of(now.site)
        try:
            site = await asyncio.to_thread(load_site, now.site.folder, None, False)
        except InputError as error:
            self.refuse(error, f"the new site is not used ({why})")
            self._watch.was_read(found)
            return False
        self._use(site)
        read = {one[0]: one for one in found}  # a file that changed during the reading is read again
        self._watch.was_read(tuple(read.get(one[0], one) for one in stamp_of(site)))
        now.store.note(now.now_ns(), "site", f"the site was read again and is used now: {why}")
        await self._was_taken_over(site)
        return True

    async def take_over(
        self, site: Site, begin: Callable[[], Awaitable[None]], save: Callable[[], None], who: str
    ) -> int:
        """Use a site that was checked already, as soon as `begin` has ended; then a thread lets `save` write its files.
        Nothing is read meanwhile. The instant from which it is used. What `begin` and `save` raise."""
        async with self._reading:
            await begin()
            now = self._situation
            at_ns = now.now_ns()
            self._use(site)
            now.store.note(at_ns, "site", f"the site that {who} has pushed is used now", who)
            try:
                await asyncio.to_thread(save)
            finally:  # otherwise the old texts would be read again, with the pieces of this site
                self._watch.was_read(stamp_of(site))
            await self._was_taken_over(site)
        return at_ns

    def _use(self, site: Site) -> None:
        self.refused, self.good = None, site
        self._situation.trust.rule, self._situation.trust.sets = site.clock.trust, site.clock.set
        self._adopt(site)

    async def _was_taken_over(self, site: Site) -> None:
        await self._taken_over(site)
        await asyncio.to_thread(store_good, site.folder, self._state)

    def refuse(self, error: InputError, what: str) -> None:
        """Keep the last good site because the files have a mistake. Neighbours' hours that they add hold already."""
        now, self.refused = self._situation, error
        site = with_hours_of(self.good, self.good.folder / "site.toml")
        if site is not None and _hours(site) != _hours(now.site):
            self._adopt(site)
        now.store.note(now.now_ns(), "site", f"{what}: {error.errors[0]}{self._added}")

    def troubles(self) -> list[Trouble]:
        """The first five mistakes of refused files."""
        errors = self.refused.errors[:5] if self.refused else ()
        return [Trouble(TroubleCode.SITE, str(each.file), f"{each}{self._added}") for each in errors]

    @property
    def _added(self) -> str:
        return "" if _hours(self._situation.site) == _hours(self.good) else f"; {ADDED}"


def _hours(site: Site) -> tuple[list[str], float | None]:
    return rule_ids(site), site.neighbours.rig_check
