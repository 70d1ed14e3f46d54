"""Plays a score: holds it and the dark windows, and lets each voice play. Told the time, reads no clock."""

from __future__ import annotations

from gloaming.daemon.transmitter.clock import SECOND_NS, Lateness
from gloaming.daemon.transmitter.messages import Dark, Score
from gloaming.daemon.transmitter.output import Output
from gloaming.daemon.transmitter.readahead import ReadAhead
from gloaming.daemon.transmitter.voice import Frames, Instant, Shift, Shown, Trouble, Voice

GRACE_NS = 300_000_000
"""How long a fresh transmitter waits for its first score before it sends black."""
COMING_NS = 3 * SECOND_NS
"""How long before it begins a piece is read."""


class Player:
    """Holds the score and the dark windows, and a voice for each lead. `tick` is called when its time has come."""

    def __init__(
        self, ahead: ReadAhead, trouble: Trouble, now_ns: int, shift: Shift = lambda segment, turn, at_ns: 0
    ) -> None:
        self.ahead, self.trouble, self.shift = ahead, trouble, shift
        self.output: Output | None = None
        self.voices: list[Voice] = []
        self.score: Score | None = None
        self.dark: Dark | None = None
        self.frames, self.lateness = Frames(), Lateness()
        self._began_ns = now_ns

    def use(self, output: Output | None) -> None:
        """Play into an output from now on."""
        self.output = output
        groups = output.groups if output else []
        self.voices = [Voice(group, self.ahead, self.trouble, self.shift) for group in groups]

    @property
    def shown(self) -> Shown:
        """What is on the wire; of voices with different leads, the first's."""
        return self.voices[0].shown if self.voices else Shown()

    def tick(self, monotonic_ns: int, wall_ns: int) -> int:
        """Send what is due at an instant of both clocks; returns the monotonic instant of the next tick."""
        if not self.voices:
            return monotonic_ns + SECOND_NS
        if (self.score is None or self.dark is None) and monotonic_ns < self._began_ns + GRACE_NS:
            return self._began_ns + GRACE_NS
        wants = []
        next_ns = monotonic_ns + SECOND_NS
        for voice in self.voices:
            look_ns = self._play(voice, monotonic_ns, wall_ns)
            part_ns = voice.go_on(monotonic_ns)
            next_ns = min(next_ns, look_ns, look_ns if part_ns is None else part_ns)
            if self.score:
                at_ns = monotonic_ns + self.score.offset_ns + voice.group.lead_ns
                coming = self.score.after(at_ns)
                near = coming if coming and coming.from_ns - at_ns < COMING_NS else None
                wants += voice.wants(self.score.at(at_ns), near, at_ns)
        if wants:  # else what is there is kept, for a pause that ends
            self.ahead.want(*dict.fromkeys(wants))
        return next_ns

    def _play(self, voice: Voice, monotonic_ns: int, wall_ns: int) -> int:
        """One voice at an instant: light where the score has it and no dark window forbids it, else black."""
        score, dark, lead_ns = self.score, self.dark, voice.group.lead_ns
        release = bool(self.output and self.output.setup.at_rest == "release")
        if score is None or dark is None:
            return voice.black(Instant(monotonic_ns, monotonic_ns, monotonic_ns + SECOND_NS), release)
        at_ns = monotonic_ns + score.offset_ns
        instants = (at_ns, at_ns + lead_ns, wall_ns + score.wall_offset_ns)
        edge_ns = monotonic_ns + min(dark.next_edge(instant) - instant for instant in instants)
        segment = score.at(at_ns + lead_ns)
        if segment is None:
            begins = [begin for begin in score.begins if begin > at_ns + lead_ns]
            change_ns = begins[0] - score.offset_ns - lead_ns if begins else edge_ns
        else:
            change_ns = segment.until_ns - score.offset_ns - lead_ns
        now = Instant(monotonic_ns, at_ns + lead_ns, min(edge_ns, change_ns))
        if segment is None or segment.dark or voice.is_hurt(segment) or any(dark.at(instant) for instant in instants):
            return voice.black(now, release)
        return voice.light(segment, now, self.frames, self.lateness)

    def go_black(self) -> None:
        """Black at once, before the end."""
        if self.output:
            self.output.black()
