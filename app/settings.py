"""Choices of this workstation, kept in one small file; handed to whoever needs them, never a global."""

from __future__ import annotations

import getpass
import json
import os
from pathlib import Path

import platformdirs
from attrs import asdict, fields, frozen

SETTINGS_FORMAT = 1


@frozen
class Settings:
    """One workstation's choices; tests use the defaults."""

    theme: str = "dark"
    """Look of the window: "dark" for a reading room, "light" for the office."""
    notation: str = "iso"
    """How sites are written on the screen: "iso" (ISO 3950) or "universal"; inside it is always ISO 3950."""
    author: str = ""
    """Name under which steps are recorded; empty: the user name of the workstation."""
    last_folder: str = ""
    """Where the last file was chosen."""
    inbox: str = ""
    """Where series received over the network are filed; empty: in the program's own data folder."""
    service_port: str = ""
    """Port that the storage service listens on."""
    archive: str = ""
    """The archive asked last: ``title@host:port``, or a web address."""

    @property
    def author_name(self) -> str:
        """Who makes the steps."""
        return self.author or _user_name()


def _user_name() -> str:
    try:
        return getpass.getuser()
    except (KeyError, OSError):
        return "unknown"


def settings_path() -> Path:
    """Give the place of the settings file."""
    return platformdirs.user_config_path("plumbline", appauthor=False) / "settings.json"


def data_folder() -> Path:
    """Give the folder for the cases and logs that the program itself makes."""
    return platformdirs.user_data_path("plumbline", appauthor=False)


def read_settings(path: Path) -> Settings:
    """Read the settings; what is missing, unknown or damaged takes its default."""
    try:
        content = json.loads(path.read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return Settings()
    if not isinstance(content, dict):
        return Settings()
    known = {field.name for field in fields(Settings)}
    return Settings(**{k: v for k, v in content.items() if k in known and isinstance(v, str)})


def write_settings(path: Path, settings: Settings) -> None:
    """Write the settings, all or nothing."""
    path.parent.mkdir(parents=True, exist_ok=True)
    part = path.with_suffix(".part")
    part.write_text(json.dumps({"format": SETTINGS_FORMAT, **asdict(settings)}, indent=1), encoding="utf-8")
    os.replace(part, path)
