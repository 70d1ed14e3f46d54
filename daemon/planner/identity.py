"""Who this board is on the wire: its CID, which belongs to the machine and not to a copy of its state."""

from __future__ import annotations

import hashlib
import hmac
import re
from pathlib import Path
from uuid import UUID, uuid4

from gloaming.daemon.planner.store import Store

MACHINE_ID = Path("/etc/machine-id")
APPLICATION = UUID("8c1d6a52-3f0e-4b7b-9a64-0d5e2c7f1b38")
"""The application ID of this program, made once by chance."""


def machine_hash() -> str | None:
    """A hash of the machine-id, 32 hex digits. None where the machine has none (yet).

    machine-id(5) asks that the id itself is not used. So this is sd_id128_get_machine_app_specific(3): HMAC-SHA256 of
    the application ID, with the machine-id as the key, shortened to 128 bits and marked as a UUID of version 4.
    """
    try:
        text = MACHINE_ID.read_text(encoding="ascii", errors="replace").strip()
    except OSError:
        return None
    if not re.fullmatch("[0-9a-f]{32}", text):  # "uninitialized", before the first start is over
        return None
    digest = hmac.digest(bytes.fromhex(text), APPLICATION.bytes, hashlib.sha256)
    return UUID(bytes=digest[:16], version=4).hex


def cid_of(store: Store, now_ns: int) -> UUID:
    """This board's CID (E1.31 5.6). A state that was copied from another machine gets a new one, and the journal says
    so. A machine without a machine-id has what the state has."""
    machine, known, cid = machine_hash(), store.fact("machine"), store.fact("cid")
    copied = None not in (cid, known, machine) and known != machine
    if cid is None or copied:
        cid = uuid4().hex
        store.set_fact("cid", cid)
    if machine is not None and machine != known:
        store.set_fact("machine", machine)
    if copied:
        text = "this state comes from another machine: this board has a new CID, so that the two are two sources"
        store.note(now_ns, "state", text)
    return UUID(cid)
