"""The settings: a strict TOML file, options over it, defaults under it, and the bench's folders.

Owns every key, its default and its limits. Does not know what a setting leads to: whether a port
opens or a broker answers is for those who use it.
"""

from __future__ import annotations

import os
import re
from collections.abc import Mapping
from pathlib import Path
from typing import Annotated, Any, NoReturn
from urllib.parse import urlsplit

from pydantic import AfterValidator, BaseModel, ConfigDict, Field, ValidationError
from pydantic_core import PydanticCustomError

from recipes.toml_file import (
    FileError,
    KeyPath,
    Problem,
    decode_file,
    key_lines,
    parse_toml,
    problems_of,
)

FILE_NAME = "benchpour.toml"
COMMAND_LINE = "the command line"
BROKERS = ("auto", "embedded", "none")
SOUNDS = ("auto", "bell", "none")


class ConfigError(FileError):
    """Settings that cannot be used: one plain sentence a line, with the file, line and key."""

    @property
    def status(self) -> int:
        """The exit status: an option that cannot be is wrong use, a file that cannot a failure."""
        return 2 if self.source == COMMAND_LINE else 1


def masked(url: str) -> str:
    """A URL as it may be shown or logged: without the password that may stand in it."""
    return re.sub(r"(?s)(//[^/:@]*):.*@", r"\1:***@", url)


def _refuse(found: str, expected: str) -> NoReturn:
    """Refuse a value in the words that file problems are told in."""
    raise PydanticCustomError(
        "setting",
        "found {found}, expected {expected}",
        {"found": f'the text "{masked(found)[:80]}"', "expected": expected, "leans_on": []},
    )


def _bench(name: str) -> str:
    if not re.fullmatch(r"[a-z0-9-]{1,32}", name):
        _refuse(name, "1 to 32 of the letters a to z, digits and hyphens")
    return name


def _line(text: str) -> str:
    if len(text) > 64 or text != text.strip() or not text.isprintable():
        _refuse(text, "at most 64 characters on one line, without blanks at the ends")
    return text


def _framing(text: str) -> str:
    if text and not re.fullmatch(r"[5-8][NEOMS](1|1\.5|2)", text):
        _refuse(text, 'data bits, parity and stop bits such as "8N1" or "7E1", or nothing')
    return text


def _broker(url: str) -> str:
    expected = f"one of {', '.join(BROKERS)}, or mqtt://user@host:port, or mqtts://user@host:port"
    if url in BROKERS:
        return url
    try:
        parts = urlsplit(url)
        good = parts.scheme in {"mqtt", "mqtts"} and bool(parts.hostname) and parts.port != 0
    except ValueError:  # a port that is no port number, or brackets that do not close
        good = False
    if not good or parts.path.strip("/") or parts.query or parts.fragment:
        _refuse(url, expected)
    return url


def _sound(to: str) -> str:
    if to not in SOUNDS and not (to.startswith("file:") and to.endswith(".wav") and len(to) > 9):
        _refuse(to, f"one of {', '.join(SOUNDS)}, or file:PATH.wav")
    return to


def _topic(topic: str) -> str:
    if len(topic.encode()) > 256 or set(topic) & {"+", "#", "\0"}:
        _refuse(topic, "one MQTT topic, without the wildcards + and #")
    return topic


def _prefix(prefix: str) -> str:
    if _topic(prefix) and not all(prefix.split("/")):
        _refuse(prefix, "a topic that neither begins nor ends with /, or nothing")
    return prefix


Line = Annotated[str, AfterValidator(_line)]


class _Table(BaseModel):
    model_config = ConfigDict(strict=True, extra="forbid", frozen=True, allow_inf_nan=False)


class Scale(_Table):
    """Where the scale is and how its line speaks; empty or 0 leaves it to the profile."""

    url: str = ""
    profile: str = "auto"
    baud: Annotated[int, Field(ge=0, le=4_000_000)] = 0
    framing: Annotated[str, AfterValidator(_framing)] = ""


class Broker(_Table):
    """Which MQTT broker, and the files that hold the password for it and who vouches for it.

    `ca_file` (PEM) is for a broker at mqtts:// whose certificate the shop has signed itself.
    """

    url: Annotated[str, AfterValidator(_broker)] = "auto"
    password_file: str = ""
    ca_file: str = ""


class Phone(_Table):
    """Where the phone page is served; port 0 takes any that is free.

    With `certificate` and `key` (PEM files) it is served by https.
    """

    address: Line = "127.0.0.1"
    port: Annotated[int, Field(ge=0, le=65535)] = 8787
    off: bool = False
    certificate: str = ""
    key: str = ""


class Sound(_Table):
    """What is beeped on."""

    to: Annotated[str, AfterValidator(_sound)] = "auto"


class Store(_Table):
    """Where the journal is kept; empty is the state folder."""

    dir: str = ""


class Cues(_Table):
    """The chance, in per cent, of landing too heavy at which the stop cue is given."""

    risk_pct: Annotated[float, Field(gt=0, le=50)] = 2.0


class Inputs(_Table):
    """Topics that other instruments of the shop publish on."""

    ambient_topic: Annotated[str, AfterValidator(_topic)] = ""


class Announce(_Table):
    """By which conventions other dashboards find the bench at its broker.

    `homie_do` lets them do what is due; `discovery_prefix` is their own, and has no default.
    """

    homie: bool = False
    homie_do: bool = False
    discovery_prefix: Annotated[str, AfterValidator(_prefix)] = ""


class Recipes(_Table):
    """Where recipes are looked for by name; empty is `recipes` in the configuration folder."""

    dir: str = ""


class Config(_Table):
    """All settings of one bench."""

    bench: Annotated[str, AfterValidator(_bench)] = "bench"
    person: Line = ""
    scale: Scale = Scale()
    broker: Broker = Broker()
    phone: Phone = Phone()
    sound: Sound = Sound()
    store: Store = Store()
    cues: Cues = Cues()
    inputs: Inputs = Inputs()
    announce: Announce = Announce()
    recipes: Recipes = Recipes()

    @property
    def store_dir(self) -> Path:
        """The folder of the journal."""
        return Path(self.store.dir) if self.store.dir else state_dir()

    @property
    def recipes_dir(self) -> Path:
        """The folder in which a recipe's name is looked up."""
        return Path(self.recipes.dir) if self.recipes.dir else config_dir() / "recipes"


TABLES: dict[str, type[BaseModel]] = {
    name: field.annotation
    for name, field in Config.model_fields.items()
    if isinstance(field.annotation, type) and issubclass(field.annotation, BaseModel)
}
"""The tables of the file, by name."""

_KNOWN: dict[KeyPath, tuple[str, ...]] = {
    (): tuple(Config.model_fields),
    **{(name,): tuple(table.model_fields) for name, table in TABLES.items()},
}
_PATHS = (
    ("store", "dir"),
    ("recipes", "dir"),
    ("broker", "password_file"),
    ("broker", "ca_file"),
    ("phone", "certificate"),
    ("phone", "key"),
)


def load_config(path: Path | None = None, options: Mapping[str, Any] | None = None) -> Config:
    """The settings of `path`, or of the default file where there is one, with `options` over them.

    An option is named by its key, `scale.url`; one that is None was not given. Paths in the file
    are meant from its folder, those in options from the working folder. Raises ConfigError.
    """
    config = _from_file(path) if path else _from_default_file()
    given = {key: value for key, value in (options or {}).items() if value is not None}
    if not given:
        return config
    tables = config.model_dump()
    for key, value in given.items():
        table, _, name = key.rpartition(".")
        (tables[table] if table else tables)[name] = (
            str(value) if isinstance(value, Path) else value
        )
    return _validated(tables, COMMAND_LINE, {}, Path())


def _from_default_file() -> Config:
    path = config_dir() / FILE_NAME
    return _from_file(path) if path.exists() else Config()


def _from_file(path: Path) -> Config:
    try:
        text = decode_file(path)
        tables = parse_toml(text, str(path))
    except FileError as error:
        raise ConfigError(error.source, error.problems) from None
    return _validated(tables, str(path), key_lines(text), path.parent)


def _validated(
    tables: dict[str, Any], source: str, lines: Mapping[KeyPath, int], base: Path
) -> Config:
    try:
        checked = Config.model_validate(tables)
    except ValidationError as error:
        raise ConfigError(source, problems_of(error, lines, _KNOWN)) from None
    for table, key in _PATHS:
        given = tables.get(table, {}).get(key)
        if given:
            tables[table][key] = str((base / _home(given, source, f"{table}.{key}")).absolute())
    sound = checked.sound.to
    if sound.startswith("file:"):
        wav = base / _home(sound.removeprefix("file:"), source, "sound.to")
        tables["sound"]["to"] = f"file:{wav.absolute()}"
    return Config.model_validate(tables)


def _home(path: str, source: str, key: str) -> Path:
    """The path with `~` replaced by the person's own folder."""
    try:
        return Path(path).expanduser()
    except RuntimeError:
        problem = Problem(None, key, f'the path "{path[:80]}"', "a home folder that exists")
        raise ConfigError(source, [problem]) from None


def config_dir() -> Path:
    """Where the configuration file and the recipes are: the service's folder, else the user's."""
    return _service_dir("CONFIGURATION_DIRECTORY") or _user_dir("user_config_path")


def state_dir() -> Path:
    """Where the journal is kept by default."""
    return _service_dir("STATE_DIRECTORY") or _user_dir("user_state_path")


def runtime_dir() -> Path:
    """Where sockets live that end with the daemon."""
    return _service_dir("RUNTIME_DIRECTORY") or _user_dir("user_runtime_path")


def _service_dir(variable: str) -> Path | None:
    """The folder the service manager made; it may name several, parted by colons."""
    first = os.environ.get(variable, "").split(":")[0]
    return Path(first) if first else None


def _user_dir(which: str) -> Path:
    import platformdirs  # only where no service manager named the folders; it costs 16 ms

    folder: Path = getattr(platformdirs, which)("benchpour", appauthor=False)
    return folder
