"""Why: the state of a stretch of time, and the rules that made it so, in words that a person reads."""

from __future__ import annotations

from datetime import datetime

from gloaming.daemon.direction import precedence
from gloaming.daemon.direction.overrides import Kind, Override
from gloaming.daemon.direction.precedence import Light, Source
from gloaming.daemon.direction.programme import Giving, Part
from gloaming.daemon.direction.scene import Facts, Scene
from gloaming.daemon.direction.score import Reason, State
from gloaming.shows.time_units import SECOND_NS


class Why:
    """Says why, from the facts of a day."""

    def __init__(self, facts: Facts) -> None:
        self.facts = facts
        self._opened: dict[Giving, Reason] = {}  # one for all the segments of a giving

    def why(self, scene: Scene, part: Part | None, at_ns: int) -> tuple[State, tuple[Reason, ...]]:
        """The state, and the rules that made it, the deciding one first."""
        line = scene.decides
        if line is None:
            return self._idle(at_ns)
        if scene.dark:
            return line.state, (scene.dark.reason,)
        asked = scene.standing(line.claim)
        deciding = (self._asked(asked, _what(asked)),) if asked else ()
        of_the_show = self._giving_reasons(scene.giving, part, at_ns) if line.holds_show else ()
        state = _state_of(part) if line.light == Light.SHOW else line.state
        return state, (*deciding, *of_the_show, *self._limits(scene))

    def _limits(self, scene: Scene) -> tuple[Reason, ...]:
        """What makes it dimmer or quieter than the pieces are."""
        reasons: list[Reason] = []
        for limit in precedence.LIMITS:
            if limit.claim == Source.HOURS:
                reasons += [
                    _for_check(w.reason, scene.check_in_dark) if w.ceiling == 0 else w.reason for w in scene.windows
                ]
            asked = [self._asked(one, _what(one)) for one in scene.overrides if one.kind == limit.claim]
            reasons += asked if limit.light else asked[:1]  # a second mute adds nothing
        return (*reasons, self.facts.brightness_reason) if scene.giving and not scene.check else tuple(reasons)

    def _giving_reasons(self, giving: Giving | None, part: Part | None, at_ns: int) -> tuple[Reason, ...]:
        if giving is None:
            return ()
        if giving not in self._opened:
            opened = f"{giving.show} opened {self._clock(giving.opens_ns)} ({giving.opens_by}), "
            self._opened[giving] = Reason(
                giving.place, f"{opened}closes {self._clock(giving.to_ns)} ({giving.closes_by})"
            )
        reasons = [self._opened[giving]]
        if part and part.filler:
            filling = f", {part.piece.name} fills the time" if part.piece else ""
            reasons.insert(0, Reason(giving.show_place, f"{part.note}{filling}{_one_ended(part)}"))
        elif part and part.piece:
            begun = f"{part.piece.name} began {self._clock(part.begins_ns, seconds=True)}"
            order = "shuffled" if giving.shuffled else "in order"
            reasons.insert(0, Reason(giving.show_place, f"{begun}, {order}{_one_ended(part)}"))
        damaged = {piece.name for piece in giving.order if piece.is_damaged(at_ns)}
        names = sorted({*giving.left_out, *damaged})
        reasons += [
            Reason(giving.show_place, f"{name} is left out: its files are missing or damaged") for name in names
        ]
        return tuple(reasons)

    def _idle(self, at_ns: int) -> tuple[State, tuple[Reason, ...]]:
        coming = self._next_opening(at_ns)
        if coming is None:
            return State.DARK, (Reason("timetable", "no performance opens tonight or tomorrow"),)
        day = self._local(coming.opens_ns)
        text = f"{coming.show} opens {day:%A %d %B} at {self._clock(coming.opens_ns)} ({coming.opens_by})"
        state = State.WAITING if at_ns >= self._midnight(coming) else State.DARK
        return state, (Reason(coming.place, text),)

    def waits_from(self, at_ns: int) -> int | None:
        """When an idle stretch turns from "closed" to "waiting for tonight": midnight, site time."""
        coming = self._next_opening(at_ns)
        return self._midnight(coming) if coming else None

    def _next_opening(self, at_ns: int) -> Giving | None:
        later = [giving for giving in self.facts.givings if giving.opens_ns > at_ns and giving.called is None]
        return min(later, key=lambda giving: giving.opens_ns, default=None)

    def _midnight(self, giving: Giving) -> int:
        day = self._local(giving.opens_ns).replace(hour=0, minute=0, second=0, microsecond=0, fold=0)
        return int(day.timestamp()) * SECOND_NS

    def _asked(self, override: Override, what: str) -> Reason:
        who = f" by {override.who}" if override.who else ""
        text = f"{what}{who} at {self._clock(override.at_ns)} until {self._clock(override.until_ns)}"
        return Reason(f"override {override.id} {override.kind}", text)

    def _local(self, at_ns: int) -> datetime:
        return datetime.fromtimestamp(at_ns // SECOND_NS, self.facts.zone)

    def _clock(self, at_ns: int, seconds: bool = False) -> str:
        local = self._local(at_ns)
        return f"{local:%H:%M:%S}" if seconds or local.second else f"{local:%H:%M}"


def _state_of(part: Part | None) -> State:
    """The state of a show by what it has now."""
    if part and part.fault:
        return State.FAULT
    return State.WAITING if part is None or part.filler else State.PLAYING


def _what(override: Override) -> str:
    """What an override does."""
    match override.kind:
        case Kind.RIG_CHECK:
            return f"rig check, {override.check.text if override.check else 'nothing'}"
        case Kind.PAUSE:
            return "paused"
        case Kind.DIM:
            return f"dimmed to {override.level:.0%} of the brightness that is set"
        case Kind.MUTE:
            return "without sound"
        case kind:
            return str(kind)


def _for_check(dark: Reason, at_most: float | None) -> Reason:
    """Dark hours, where they let a rig check be seen."""
    return Reason(dark.rule, f"{dark.text.removesuffix('no light')}a rig check at {at_most:g} at most")


def _one_ended(part: Part) -> str:
    """What is over where the frames and the sound of a piece are not as long as each other."""
    if part.picture and part.picture.ended:
        return "; its frames have ended, its sound goes on"
    return "; its sound has ended" if part.piece and part.piece.sound and not part.sound else ""
