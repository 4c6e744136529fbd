"""Mosquitto with the configuration that we run it with, for tests that stop and start it."""

from __future__ import annotations

import subprocess
from dataclasses import dataclass

from ingest.broker import find_mosquitto, mosquitto_conf
from tests import services


@dataclass
class Broker(services.LocalServer):
    """Mosquitto as we run it."""

    @property
    def url(self) -> str:
        return f"mqtt://127.0.0.1:{self.port}"

    def launch(self) -> subprocess.Popen[bytes]:
        program = find_mosquitto()
        if program is None:
            raise services.Unavailable("mosquitto is not installed")
        (self.folder / "mosquitto.conf").write_text(mosquitto_conf("127.0.0.1", self.port, self.folder))
        with (self.folder / "log").open("ab") as out:
            return subprocess.Popen([program, "-c", self.folder / "mosquitto.conf"], stdout=out, stderr=out)
