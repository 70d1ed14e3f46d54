"""Deleted pieces: their files lie in a folder of the site for a day, so that each can be restored."""

from __future__ import annotations

import json
import secrets
import shutil
from dataclasses import asdict, dataclass
from pathlib import Path

from gloaming.daemon.planner.uploads import PieceFileError, PieceFileProblem
from gloaming.shows.time_units import DAY_NS

FOLDER = "deleted-pieces"
ABOUT = "piece.json"


@dataclass(frozen=True, slots=True)
class DeletedPiece:
    """A deleted piece. `frames` and `sound` are as site.toml had them; `moved` are those of them that lie here."""

    name: str
    frames: str
    sound: str | None
    deleted_ns: int
    moved: tuple[str, ...] = ()

    @property
    def until_ns(self) -> int:
        """Until when it can be restored."""
        return self.deleted_ns + DAY_NS


class DeletedPieces:
    """The deleted pieces of the site in `folder`."""

    def __init__(self, folder: Path) -> None:
        self._site, self._folder = folder, folder / FOLDER

    def all(self) -> list[DeletedPiece]:
        """The newest first."""
        return sorted((piece for _, piece in self._stored()), key=lambda piece: -piece.deleted_ns)

    def delete(self, piece: DeletedPiece) -> None:
        """Move the files that `piece` names as `moved`. OSError."""
        place = self._folder / secrets.token_hex(8)
        place.mkdir(0o755, parents=True)
        (place / ABOUT).write_text(json.dumps(asdict(piece)), "utf-8")
        for number, file in enumerate(piece.moved):
            (self._site / file).replace(place / str(number))

    def restore(self, piece: DeletedPiece) -> None:
        """Move its files back. PieceFileError where another file has a name now; OSError."""
        place = self._place(piece)
        for file in piece.moved:
            if (self._site / file).exists():
                problem = f"there is another file {file} now; delete or rename that one first"
                raise PieceFileError(PieceFileProblem.TAKEN, problem)
        for number, file in enumerate(piece.moved):
            (self._site / file).parent.mkdir(parents=True, exist_ok=True)
            (place / str(number)).replace(self._site / file)
        shutil.rmtree(place)

    def remove_old(self, now_ns: int) -> None:
        """Delete for good what was deleted more than a day ago."""
        for place, piece in self._stored():
            if now_ns > piece.until_ns:
                shutil.rmtree(place)

    def _place(self, piece: DeletedPiece) -> Path:
        return next(place for place, one in self._stored() if one == piece)

    def _stored(self) -> list[tuple[Path, DeletedPiece]]:
        found = []
        for place in sorted(self._folder.iterdir()) if self._folder.is_dir() else ():
            try:
                about = json.loads((place / ABOUT).read_text("utf-8"))
                found.append((place, DeletedPiece(**{**about, "moved": tuple(about["moved"])})))
            except (OSError, ValueError, TypeError, KeyError):
                continue  # no piece of ours: it stays
        return found


def newest(pieces: list[DeletedPiece], name: str) -> DeletedPiece:
    """The newest deleted piece of a name. PieceFileError without one."""
    for piece in pieces:
        if piece.name == name:
            return piece
    problem = f"there is no deleted piece {name!r}; a deleted piece can be restored for a day"
    raise PieceFileError(PieceFileProblem.UNKNOWN, problem)
