"""Where a study's deliveries and warehouse lie, and which cluster measures, as study.toml says.

Both tables are optional. Keys of a store, its endpoint and certificates stand in the environment
or in the store's own configuration files, never in a study folder: that folder is copied about.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from importlib.util import find_spec
from typing import Annotated, Self

from pydantic import AfterValidator, model_validator
from pydantic.dataclasses import dataclass as model

from quietsleep.contract.toml import CONFIG, Text, shown
from quietsleep.errors import StudyError

INSTALL = "install it with: pip install 'quietsleep[cluster]'"
_ADDRESS = re.compile(r"(?P<scheme>[a-z][a-z0-9+.-]*)://(?P<rest>[^\s:@?#]*[^\s:@?#/])/*")
_SCHEDULER = re.compile(r"(tcp|tls|ws|wss)://(\[[0-9A-Fa-f:]+\]|[A-Za-z0-9_.-]+):\d{1,5}")
# What such a store holds is seen by one process alone.
_OF_ONE_PROCESS = "memory"


@dataclass(frozen=True, slots=True)
class StorageSettings:
    """Addresses that stand for folders of the study; each is empty where there is none.

    `deliveries` takes the place of the folder of that name. `warehouse` is where each published
    night is uploaded to; it is always built in the study folder first. `scheduler` is the
    scheduler of the cluster that measures.
    """

    deliveries: str = ""
    warehouse: str = ""
    scheduler: str = ""


def _address(text: str) -> str:
    """Return an address without its last slashes."""
    if "@" in text or "?" in text:
        raise ValueError(
            "holds more than an address; keys and settings of a store stand in the environment, "
            "never in a study folder."
        )
    match = _ADDRESS.fullmatch(text)
    if match is None:
        raise ValueError(f'is {shown(text)}; write an address such as "s3://bucket/study".')
    return f"{match['scheme']}://{match['rest'].rstrip('/')}"


def _scheduler(text: str) -> str:
    if not _SCHEDULER.fullmatch(text):
        raise ValueError(f'is {shown(text)}; write an address such as "tcp://host:8786".')
    return text


def _overlap(one: str, other: str) -> bool:
    return f"{one}/".startswith(f"{other}/") or f"{other}/".startswith(f"{one}/")


@model(frozen=True, slots=True, config=CONFIG)
class Storage:
    """The table [storage] of study.toml: where deliveries and warehouse lie."""

    deliveries: Annotated[Text, AfterValidator(_address)] = ""
    warehouse: Annotated[Text, AfterValidator(_address)] = ""

    @model_validator(mode="after")
    def _check(self) -> Self:
        if not (self.deliveries or self.warehouse):
            raise ValueError("give deliveries, warehouse or both, or take it out.")
        if self.deliveries and self.warehouse and _overlap(self.deliveries, self.warehouse):
            raise ValueError(
                "deliveries and warehouse lie one inside the other; give each a place of its own."
            )
        if self.deliveries.startswith(f"{_OF_ONE_PROCESS}://"):
            raise ValueError(
                "deliveries lie in the memory of one process, where the processes that measure "
                "cannot read them."
            )
        return self


@model(frozen=True, slots=True, config=CONFIG)
class Cluster:
    """The table [cluster] of study.toml: who measures."""

    scheduler: Annotated[Text, AfterValidator(_scheduler)]


def storage_of(storage: Storage | None, cluster: Cluster | None) -> StorageSettings:
    """Join the two optional tables of study.toml."""
    return StorageSettings(
        deliveries=storage.deliveries if storage else "",
        warehouse=storage.warehouse if storage else "",
        scheduler=cluster.scheduler if cluster else "",
    )


def address_of(text: str, where: str) -> str:
    """Return the address of a store in its plain form; StudyError where it is none."""
    try:
        return _address(text)
    except ValueError as error:
        raise StudyError(f"{where} {error}") from None


def check_installed(storage: StorageSettings) -> None:
    """Raise StudyError where a configured place needs a package that is not installed."""
    if storage.scheduler:
        for package in ("distributed", "prefect_dask"):
            if find_spec(package) is None:
                raise StudyError(f"study.toml, [cluster]: {package} is not here; {INSTALL}.")
    for name in ("deliveries", "warehouse"):
        if address := getattr(storage, name):
            check_store(address, f"study.toml, [storage]: {name}")


def check_store(address: str, where: str) -> None:
    """Raise StudyError where the kind of store is unknown or its package is not installed."""
    if find_spec("fsspec") is None:
        raise StudyError(f"{where} needs the package fsspec; {INSTALL}.")
    import fsspec

    scheme = address.partition("://")[0]
    try:
        fsspec.get_filesystem_class(scheme)
    except ValueError:
        raise StudyError(f"{where}: no kind of store is called {scheme}://.") from None
    except ImportError as error:
        hint = INSTALL if scheme in {"s3", "s3a"} else f"the store's library says: {error}"
        raise StudyError(f"{where}: what reads {scheme}:// is not installed; {hint}.") from None
