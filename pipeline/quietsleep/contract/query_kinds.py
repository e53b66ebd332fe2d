"""The kinds of data queries: what a person may be asked, in order of urgency."""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType
from typing import Annotated

from pydantic import AfterValidator
from pydantic.dataclasses import dataclass

from quietsleep.contract.model import Share, named_in
from quietsleep.contract.toml import CONFIG, Code, Text, YesNo

# What a data query may be about, in the columns of its table.
SUBJECT = ("centre", "delivery", "session", "item")


def _of_subject(sentence: str) -> str:
    if unknown := sorted(set(named_in(sentence)) - {*SUBJECT}):
        raise ValueError(f"names {unknown[0]}; a query is about {', '.join(SUBJECT)}.")
    return sentence


AboutSubject = Annotated[Text, AfterValidator(_of_subject)]


@dataclass(frozen=True, slots=True, config=CONFIG)
class QueryKind:
    """A kind of data query: its nouns, and what is said where the facts are not at hand.

    `lead` names the subject before what the night says of it, where that does not name it.
    """

    name: Code
    one: Text
    many: Text
    sentence: AboutSubject
    remedy: Text
    lead: AboutSubject | None = None
    closes_itself: YesNo = True


@dataclass(frozen=True, slots=True, config=CONFIG)
class Querying:
    """The kinds of data queries in order of urgency, and the figures behind them."""

    slip_share_pct: Share
    typed_quantities: tuple[Code, ...]
    kinds: Annotated[Mapping[str, QueryKind], AfterValidator(MappingProxyType)]
