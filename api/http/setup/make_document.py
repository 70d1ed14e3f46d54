"""Makes a document that takes long, in a process of its own: a survey reads every frame of a site.

`python -m gloaming.api.http.setup.make_document NAME SITE STATE AT OUT` prints JSON objects, one a line: `{"doing":
"tide", "done": 5, "of": 10}` while it works, and last `{"made": true}` or `{"problem": text}`. AT is in ISO 8601.
"""

from __future__ import annotations

import json
import resource
import sys
import time
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

from gloaming.shows.config_files.errors import InputError
from gloaming.shows.media.low_priority import lower_priority

MEMORY_BYTES = 256 << 20
"""The service has 512 MB for the planner and this process."""
TOO_LARGE = "it needs more memory than the board has for it; make it on a computer, with the command"
REPORT_S = 0.5


class Progress:
    """Prints how far the work is, a few times a second."""

    def __init__(self) -> None:
        self._doing, self._at_s = "", -REPORT_S

    def __call__(self, doing: str, done: int, of: int) -> None:
        now_s = time.monotonic()
        if doing != self._doing or now_s - self._at_s >= REPORT_S:
            self._doing, self._at_s = doing, now_s
            _report(doing=doing, done=done, of=of)


def survey(site: Path, state: Path, at: datetime) -> str:
    """The page of `gloaming survey --html`."""
    from gloaming.daemon.reports import survey as surveys
    from gloaming.daemon.reports import survey_html

    return survey_html.page(surveys.survey(site, at, Progress(), state=state))


def rehearsal(folder: Path, _: Path, at: datetime) -> str:
    """The page of `gloaming rehearse --html`. InputError."""
    from gloaming.api.cli.timetable import USUAL_DAYS
    from gloaming.daemon.reports import rehearsal_html
    from gloaming.daemon.reports.rehearsal import rehearse
    from gloaming.daemon.site.load import load_site

    site = load_site(folder, at, strict=False)
    first = at.astimezone(site.timezone).date()
    last, progress = first + timedelta(days=USUAL_DAYS - 1), Progress()
    result = rehearse(site, first, last, progress=lambda done, of: progress("the season", done, of))
    return rehearsal_html.page(site, result, first, last, at)


MAKERS = {"survey": survey, "rehearsal": rehearsal}


def _report(**values: Any) -> None:
    print(json.dumps(values), flush=True)


def main() -> None:
    """Set the limits, then work."""
    lower_priority()
    resource.setrlimit(resource.RLIMIT_DATA, (MEMORY_BYTES, MEMORY_BYTES))
    name, site, state, at, out = sys.argv[1:]
    try:
        text = MAKERS[name](Path(site), Path(state), datetime.fromisoformat(at))
        Path(out).write_text(text, encoding="utf-8")
    except InputError as error:
        _report(problem=str(error.errors[0]))
    except MemoryError:
        _report(problem=TOO_LARGE)
    except OSError as error:
        _report(problem=error.strerror or str(error))
    else:
        _report(made=True)


if __name__ == "__main__":
    main()
