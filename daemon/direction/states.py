"""The states that people see, as one table. Journal, service log, report, HTTP and page derive from it."""

from __future__ import annotations

from dataclasses import dataclass
from syslog import LOG_ERR, LOG_INFO, LOG_WARNING

from gloaming.daemon.direction.score import State


@dataclass(frozen=True, slots=True)
class StateTerms:
    """What belongs to a state."""

    name: str
    """Its name for people."""
    given: bool = False
    """Whether a show is given: a piece, or the time between two pieces."""
    routine: bool = False
    """Whether the state is common, so that its line in the journal may be written later, with others."""
    level: int = LOG_INFO
    """The level of its line in the service log, as in syslog(3)."""


STATES = {
    State.PLAYING: StateTerms("Playing", given=True, routine=True),
    State.PAUSED: StateTerms("Paused", routine=True),
    State.WAITING: StateTerms("Waiting", given=True, routine=True),
    State.DARK: StateTerms("Dark", routine=True),
    State.RIG_CHECK: StateTerms("Rig check"),
    State.NO_CLOCK: StateTerms("No clock", level=LOG_WARNING),
    State.FAULT: StateTerms("Fault", level=LOG_ERR),
}
GIVEN = frozenset(state for state, terms in STATES.items() if terms.given)
ROUTINE = frozenset(state for state, terms in STATES.items() if terms.routine)
