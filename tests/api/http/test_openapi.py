"""The OpenAPI document: Schemathesis makes requests from it, and checks every answer against it."""

from __future__ import annotations

import re
import subprocess
import sys
from pathlib import Path

from gloaming.daemon.direction.overrides import ASKED
from tests.api.daemon import Daemon
from tests.api.house import house, run


def schemathesis(daemon: Daemon, examples: int, *more: str) -> subprocess.CompletedProcess[str]:
    """Schemathesis, all checks, against a daemon that runs; streams of events, which never end, are left out."""
    command = [str(Path(sys.executable).with_name("schemathesis")), "run", f"{daemon.url}/api/openapi.json"]
    asked = [
        "-H",
        f"Authorization: Bearer {daemon.token}",
        "--exclude-path",
        "/api/events",
        "--exclude-path",
        "/api/view",
    ]
    how = ["--checks", "all", "--max-examples", str(examples), "--rate-limit", "18/s", "--request-timeout", "60"]
    return subprocess.run([*command, *asked, *how, *more], capture_output=True, text=True, check=False, timeout=3600)


def test_schemathesis_finds_no_failure(tmp_path: Path) -> None:
    daemon = Daemon(tmp_path)
    try:
        found = schemathesis(daemon, 1, "--phases", "examples,fuzzing", "--seed", "20261212")
        assert found.returncode == 0, found.stdout[-6000:]
        assert re.search(r"([2-9]\d|\d{3}) generated", found.stdout), found.stdout[-2000:]
        assert daemon.now()["site"] == "Pier Road boathouse"
    finally:
        daemon.stop()


def test_every_operation_is_described(tmp_path: Path) -> None:
    async def work() -> None:
        async with house(tmp_path) as home, home.client(home.token) as client:
            document = (await client.get("/api/openapi.json")).json()
            assert document["openapi"].startswith("3.1")
            for path, operations in document["paths"].items():
                for method, operation in operations.items():
                    assert operation.get("description"), (method, path)
                    codes = set(operation["responses"])
                    assert {"429", "500"} <= codes
                    assert ("401" in codes) == (path not in {"/healthz", "/api/public"})
                    problem = operation["responses"]["429"]["content"]
                    assert list(problem) == ["application/problem+json"]
            asked = document["paths"]["/api/overrides"]["post"]["requestBody"]["content"]["application/json"]["schema"]
            assert asked["discriminator"]["propertyName"] == "kind"
            assert set(asked["discriminator"]["mapping"]) == set(ASKED)
            schemas = document["components"]["schemas"]
            assert schemas["CallRequest"]["properties"]["show"]["enum"] == ["evening", "short"]
            assert schemas["OutOfServiceRequest"]["properties"]["zone"]["enum"] == [
                "left",
                "lamp",
                "ridge",
                "railing",
                "roof",
            ]
            assert "zone" not in schemas["PauseRequest"]["properties"]
            assert schemas["PlainRigCheckRequest"]["properties"]["string"]["enum"] == ["ridge", "railing"]

    run(work())
