"""The configuration: one TOML file, overridden by environment variables, and nothing unknown."""

import difflib
import os
import tomllib
from collections.abc import Mapping
from pathlib import Path
from typing import Annotated, Any, Final, Literal, TypeGuard, get_args, get_origin

import platformdirs
from pydantic import BaseModel, BeforeValidator, Field, ValidationError
from pydantic_settings import BaseSettings, PydanticBaseSettingsSource, SettingsConfigDict
from pydantic_settings import SettingsError as UnreadableVariable

from service.bench_settings import BenchHostSettings, Count, no_boolean
from service.errors import SettingsError
from service.serve_settings import ServeSettings

__all__ = [
    "BenchHostSettings",
    "ServeSettings",
    "Settings",
    "data_folder",
    "read_settings",
    "settings_file",
]

_PREFIX: Final = "EVENHUSH_"
_NESTED: Final = "__"
_NOT_SETTINGS: Final = frozenset({"EVENHUSH_DATA", "EVENHUSH_CONFIG"})
"""Variables that say where things are rather than what they are set to."""
_FILE_NAME: Final = "evenhush.toml"

Decibels = Annotated[float, BeforeValidator(no_boolean)]
"""A number of decibels; from an environment variable its digits."""
Seconds = Annotated[float, BeforeValidator(no_boolean)]
"""A number of seconds; from an environment variable its digits."""


class Settings(BaseSettings):
    """Every value that can be configured."""

    model_config = SettingsConfigDict(
        env_prefix=_PREFIX, env_nested_delimiter=_NESTED, extra="forbid", frozen=True
    )

    input: str | None = None
    """Sound input to use when none is given."""
    rate_hz: Count = Field(default=48_000, ge=8000, le=192_000)
    """Sampling rate of devices and programs."""
    channels: Count = Field(default=1, ge=1, le=64)
    """Channels of devices and programs."""
    device_return_s: Seconds = Field(default=60.0, ge=0.0, le=3600.0)
    """How long a measurement waits for a device that is lost to come back, in seconds."""
    calibration: Path | None = None
    """Calibration document to use when none is given."""
    response: Path | None = None
    """Response of the microphone to take out of every level."""
    bench: str | None = None
    """Base URL of the bench to match on."""
    bench_token: str | None = None
    """Token of that bench."""
    data: Path | None = None
    """Data folder."""
    database_url: str | None = None
    """Address of the database; None for a file in the data folder."""
    level_log_days: Count = Field(default=90, ge=0, le=36_500)
    """How many days the levels of every 100 ms are kept; 0 keeps them for ever."""
    keep: Path | None = None
    """Folder in which all sound is kept that measurements hear; None keeps none."""
    keep_as: Literal["flac", "wav"] = "flac"
    """What it is kept as."""
    target_db: Decibels = Field(default=40.0, ge=0.0, le=120.0)
    """Level to match to, dB(A)."""
    tolerance_db: Decibels = Field(default=0.3, ge=0.05, le=3.0)
    """How far from it counts as matched."""
    bench_host: BenchHostSettings = BenchHostSettings()
    """The bench that this machine serves."""
    serve: ServeSettings = ServeSettings()
    """What the lab does by itself."""

    @classmethod
    def settings_customise_sources(
        cls,
        settings_cls: type[BaseSettings],  # noqa: ARG003 - the library's signature
        init_settings: PydanticBaseSettingsSource,
        env_settings: PydanticBaseSettingsSource,
        dotenv_settings: PydanticBaseSettingsSource,  # noqa: ARG003
        file_secret_settings: PydanticBaseSettingsSource,  # noqa: ARG003
    ) -> tuple[PydanticBaseSettingsSource, ...]:
        """Let the environment override the file, whose values come in as arguments."""
        return env_settings, init_settings


def read_settings(config: Path | None) -> Settings:
    """Read the configuration.

    Parameters
    ----------
    config : Path or None
        The file that was asked for; else EVENHUSH_CONFIG, else ``evenhush.toml`` in the working
        folder, else in the user's configuration folder, else none.

    Returns
    -------
    Settings
        Every value.

    Raises
    ------
    SettingsError
        If the file is missing or unreadable, or a key or value is unknown or unusable.
    """
    _check_variables()
    path = settings_file(config)
    values = {} if path is None else _read_file(path)
    try:
        return Settings(**values)
    except ValidationError as error:
        raise SettingsError(_sentence(error, path)) from error
    except UnreadableVariable as error:
        # A table as a whole has to be JSON there.
        raise SettingsError(
            f"An environment variable cannot be read ({error}); "
            f"set single values, such as {_PREFIX}BENCH_HOST{_NESTED}PORT."
        ) from error


def settings_file(config: Path | None) -> Path | None:
    """Find the configuration file.

    Parameters
    ----------
    config : Path or None
        The file that was asked for, which must exist.

    Returns
    -------
    Path or None
        The file; None where there is none.

    Raises
    ------
    SettingsError
        If a file was asked for that does not exist.
    """
    named = config or os.environ.get("EVENHUSH_CONFIG")
    if named:
        path = Path(named)
        if not path.is_file():
            raise SettingsError(f"There is no configuration file {path}; check the name.")
        return path
    usual = platformdirs.user_config_path("evenhush", appauthor=False) / _FILE_NAME
    return next((path for path in (Path(_FILE_NAME), usual) if path.is_file()), None)


def data_folder(given: Path | None, settings: Settings) -> Path:
    """Return the data folder: as given, else EVENHUSH_DATA, else configured, else the user's."""
    named = given or os.environ.get("EVENHUSH_DATA") or settings.data
    return Path(named) if named else platformdirs.user_data_path("evenhush", appauthor=False)


def _read_file(path: Path) -> dict[str, Any]:
    """Read a TOML file whose keys are all known."""
    try:
        # Some editors put a mark before the first character, which TOML does not know.
        values = tomllib.loads(path.read_text(encoding="utf-8-sig"))
    except (OSError, UnicodeDecodeError, tomllib.TOMLDecodeError) as error:
        raise SettingsError(f"The configuration {path} cannot be read: {error}.") from error
    for name, value in _flat(values):
        kind = _kind_of(name)
        if kind is None:
            raise SettingsError(f"{path}: the key {name!r} is unknown{_nearest(name)}")
        if isinstance(value, dict) != (kind == "table"):
            wanted = "a table" if kind == "table" else "a single value"
            raise SettingsError(f"{path}: {name} must be {wanted}.")
    return values


def _flat(values: Mapping[str, Any], prefix: str = "") -> list[tuple[str, Any]]:
    """List all keys with their dotted names, tables before what they hold."""
    listed: list[tuple[str, Any]] = []
    for name, value in values.items():
        listed.append((prefix + name, value))
        if isinstance(value, dict) and _kind_of(prefix + name) == "table":
            listed.extend(_flat(value, f"{prefix}{name}."))
    return listed


def _kind_of(name: str) -> Literal["table", "value"] | None:
    """Tell what may stand under a dotted name; None for a name that is not known."""
    held: Any = Settings
    for part in name.split("."):
        if get_origin(held) is dict:  # tables whose names are the user's
            held = get_args(held)[1]
        elif _is_table(held) and part in held.model_fields:
            held = held.model_fields[part].annotation
        else:
            return None
    return "table" if _is_table(held) or get_origin(held) is dict else "value"


def _is_table(held: object) -> TypeGuard[type[BaseModel]]:
    """Tell whether the keys below are fields."""
    return isinstance(held, type) and issubclass(held, BaseModel)


def _known_names(like: str) -> list[str]:
    """Return every key with its dotted name; below the user's own names, those like one given."""
    given = like.split(".")

    def below(held: Any, path: tuple[str, ...]) -> list[str]:
        if get_origin(held) is dict:
            same = len(given) > len(path) and given[: len(path)] == list(path)
            return below(get_args(held)[1], (*path, given[len(path)] if same else "NAME"))
        if not _is_table(held):
            return []
        names = []
        for name, field in held.model_fields.items():
            names.append(".".join((*path, name)))
            names += below(field.annotation, (*path, name))
        return names

    return below(Settings, ())


def _nearest(name: str) -> str:
    """Say which known key is nearest to an unknown one, in the same table where that is known."""
    table, _, last = name.rpartition(".")
    known = _known_names(name)
    beside = {key.rpartition(".")[2]: key for key in known if table == key.rpartition(".")[0] != ""}
    candidates = beside or {key: key for key in known}
    near = difflib.get_close_matches(last if beside else name, candidates, n=1, cutoff=0.0)
    return f"; did you mean {candidates[near[0]]!r}?" if near else "."


def _check_variables() -> None:
    """Refuse a variable that looks like a setting and is none."""
    for variable in os.environ:
        if not variable.upper().startswith(_PREFIX) or variable.upper() in _NOT_SETTINGS:
            continue
        name = variable.upper().removeprefix(_PREFIX).lower().replace(_NESTED, ".")
        if _kind_of(name) is None:
            raise SettingsError(
                f"The environment variable {variable} sets the unknown key {name!r}{_nearest(name)}"
            )


def _sentence(error: ValidationError, path: Path | None) -> str:
    """Say which value is unusable and why."""
    first = error.errors()[0]
    name = ".".join(str(part) for part in first["loc"] if part != "[key]")
    where = "the environment" if path is None else f"{path} or the environment"
    if first["type"] == "missing":
        return f"The setting {name} is missing in {where}; add it."
    message = first["msg"].removeprefix("Value error, ").removeprefix("Input ")
    return f"The setting {name} in {where} is unusable: it {message}."
