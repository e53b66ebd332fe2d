"""Names in log-in names, folders of users, and places on the net."""

from __future__ import annotations

import itertools
import re
from collections.abc import Iterator
from functools import cache

from quietsleep.intake.identifiers.names import (
    Standing,
    common_names,
    is_given,
    languages_of,
    standing,
)
from quietsleep.intake.identifiers.spelling import plain
from quietsleep.intake.identifiers.vocabulary import frequency
from quietsleep.intake.identifiers.words import one_of, words_of

_STRANGE = frozenset({Standing.UNKNOWN, Standing.NAME})
_FOLDER = re.compile(r"[\\/]([^\\/:*?\"<>|]{2,40})")
_HOME = re.compile(r"(?<![\w~])~([a-z][\w.-]{2,30})(?=[/\\]|$)", re.IGNORECASE)
_DOMAIN = re.compile(r"(?<![\w\\/:.])[A-Za-z][\w-]{1,15}\\([A-Za-z][\w.-]{2,30})(?![\w\\/.])")
_URL = re.compile(
    r"(?:https?://|www\.|(?<![\w.@/])(?:[a-z0-9-]+\.)+(?:com|org|net|"
    r"example|me|io|co|de|fr|uk|app|social|ly)/)"
    r"[^\s<>\"]{2,200}",
    re.IGNORECASE,
)
_AT_MACHINE = re.compile(
    r"(?<![\w.])(?:ssh|sftp|scp|rsync|login|user) ?:?(?:-\w+ )?([a-z][\w.-]{2,30})@\w+",
    re.IGNORECASE,
)
_HANDLE = re.compile(r"(?<![\w@.)\]])@([A-Za-z_][\w.]{2,30})")
_TOKEN = re.compile(r"[A-Za-z][A-Za-z]{3,}")
# Parts of a place on the net that lead to no person.
_SOCIAL = re.compile(
    r"facebook|instagram|twitter|tiktok|linkedin|snapchat|social|t\.me|"
    r"wa\.me|youtube|\bx\.|vk\.|weibo|profile|"
    r"/@|/~|/u/|/in/|/user|/people|blog|mastodon|threads|whatsapp",
    re.IGNORECASE,
)


@cache
def _label() -> re.Pattern[str]:
    return re.compile(
        rf"(?<!\w)(?:{one_of(words_of('contacts.login'))})(?!\w)"
        r"(?: (?:as|by|als|par|por|da|door|av|von|name|id))?[ :=\"'„“]{1,4}([A-Za-z][\w.-]{2,30})"
        r"|(?:用户|用戶|账号|登录|사용자|ユーザー|משתמש|مستخدم|کاربر|ผู้ใช้|"
        r"user)[ :：=名]{0,3}([A-Za-z][\w.-]{4,30})",
        re.IGNORECASE,
    )


@cache
def _net() -> re.Pattern[str]:
    nets = one_of(
        words_of("contacts.nets")
        - {"signal", "profile", "blog", "handle", "messenger", "snap", "discord"}
    )
    return re.compile(
        rf"(?:(?<!\w){nets}(?!\w)|微信号?|line id|ライン|카톡|카카오톡|인스타)"
        rf"(?: (?:name|handle|id|user|page|profile|account))"
        rf"?\s?[:=@]?\s?@?([A-Za-z][\w.]{{2,30}})",
        re.IGNORECASE,
    )


def finds_login(text: str, *, is_code: bool, words: frozenset[str] = frozenset()) -> str | None:
    """Say by which sign a text holds the log-in name of a person; None where it shows none.

    `words` may stand in it whatever they are.
    """
    return next(_signs_of_login(text, is_code=is_code, words=words), None)


def _signs_of_login(
    text: str, *, is_code: bool, words: frozenset[str] = frozenset()
) -> Iterator[str]:
    folders = words_of("contacts.folders")
    parts = [m.group(1) for m in _FOLDER.finditer(text)] if ("\\" in text or "/" in text) else []
    for before, part in itertools.pairwise(parts):
        if plain(before) in folders | {"documents and settings"} and not _is_nobody(part):
            yield "it is a folder of a user"
    if "\\" in text or re.match(r"[/~]", text):
        parts = [p for p in parts if not {plain(w) for w in re.findall(r"[^\W\d_]+", p)} & words]
        if any(is_login(part) or _names_someone(part) for part in parts if not _is_nobody(part)):
            yield "a folder is called as users are"
    if any(not _is_nobody(m.group(1)) for m in _HOME.finditer(text)):
        yield "it is a folder of a user"
    domains = [m for m in _DOMAIN.finditer(text) if not _is_nobody(m.group(1))]
    if any(is_login(m.group(1)) or m.group().split("\\")[0].isupper() for m in domains):
        yield "it is a user of a domain"
    if any(not _is_nobody(m.group(1)) for m in _AT_MACHINE.finditer(text)):
        yield "it is a user of a computer"
    for match in _label().finditer(plain(text)):
        name = match.group(1) or match.group(2)
        if (
            is_login(name)
            or re.fullmatch(r"[a-z]{3,}\.[a-z]{4,}", name)
            or (len(name) >= 4 and standing(re.sub(r"[\W\d_].*", "", name)) in _STRANGE)
        ):
            yield "a word before it announces a log-in name"
    tokens = [token.strip("()[]<>,;:\"'") for token in text.split()]
    # In a text words stand side by side; joined by a point, or followed by a figure, they are one.
    joined = [t for t in tokens if re.fullmatch(r"[a-z]+[._][a-z]+\d*|[a-z]{5,}\d{1,4}", t)]
    joined = [text] if is_code else joined
    joined = [t for t in joined if not {plain(w) for w in re.findall(r"[^\W\d_]+", t)} & words]
    if any(is_login(token) for token in joined):
        yield "it is an initial and a family name"
    return


def finds_place_on_the_net(text: str) -> str | None:
    """Say by which sign a text leads to a person on the net; None where it leads to none."""
    for match in _URL.finditer(text):
        place = match.group()
        inside = re.sub(r"^(?:https?://)?[^/]*", "", place)
        if _SOCIAL.search(place) and re.search(r"[A-Za-z0-9]{3}", inside):
            return "it is a page of somebody"
        if any(
            _names_someone(t) or is_login(t) or _is_strange(t)
            for t in re.split(r"[/?&=#]", inside)
            if len(t) > 3
        ):
            return "it is a page of somebody"
    for match in _HANDLE.finditer(text):
        name = match.group(1)
        behind = (
            re.search(r"[_\d.]\w", name)
            or _names_someone(name)
            or is_login(name)
            or standing(name) is Standing.UNKNOWN
        )
        if behind and not re.fullmatch(r"(?:rest|baseline|peak)\w*", name):
            return "it is written as names on the net are"
    for match in _net().finditer(text):
        name = match.group(1)
        if (
            re.search(r"[_\d.]\w", name)
            or "@" in match.group()
            or standing(name) in {Standing.NAME, Standing.UNKNOWN}
            or is_login(name)
        ):
            return "it is written as names on the net are"
    return None


def _is_nobody(part: str) -> bool:
    return plain(part).strip(" $._-") in words_of("contacts.nobody") or plain(part).replace(
        " ", ""
    ) in words_of("contacts.nobody")


def _names_someone(text: str) -> bool:
    """Whether one of the words is surely a name."""
    return any(_is_name(plain(t), 4) for t in _TOKEN.findall(text))


def _is_strange(text: str) -> bool:
    """Whether one of the words is in no list, as names are."""
    return any(len(t) >= 6 and standing(t) is Standing.UNKNOWN for t in _TOKEN.findall(text))


def _is_name(word: str, shortest: int) -> bool:
    if len(word) < shortest:
        return False
    if word in common_names():
        return True
    if standing(word) is not Standing.NAME:
        return False
    return frequency(word).peak < 3.8 or len(languages_of(word)) >= 4


def is_login(token: str) -> bool:
    """Whether a token joins an initial or a given name and a family name."""
    return next(_judged_login(token), False)


def _judged_login(token: str) -> Iterator[bool]:
    match = re.fullmatch(r"([A-Za-z]+)(?:([._-])([A-Za-z]+))?\d{0,4}", token)
    if match is None or len(token) < 5:
        return
    left, parted, right = (plain(p or "") for p in match.groups())
    if parted:
        if 1 <= len(left) <= 2:
            yield _is_family(right) or (
                len(left) == 1 and len(right) >= 5 and standing(right) is Standing.UNKNOWN
            )
        if 1 <= len(right) <= 2:
            if token[-1].isdigit():
                yield False  # so are codes of trials written
            strange = (
                len(right) == 1 and len(left) >= 6 and standing(left) in {*_STRANGE, Standing.RARE}
            )
            yield _is_family(left) or strange
        if (
            len(left) >= 3
            and len(right) >= 5
            and standing(right) is Standing.UNKNOWN
            and is_given(left)
        ):
            yield True
        yield (
            Standing.NAME in {standing(left), standing(right)}
            and (is_given(left) or _is_family(left))
            and (_is_family(right) or is_given(right))
        )
    if token != token.lower() or standing(left) in {
        Standing.HARMLESS,
        Standing.ORDINARY,
        Standing.AMBIGUOUS,
        Standing.NAME,
    }:
        yield False
    if any(_is_family(left[n:]) and len(left) - n >= 5 for n in (1, 2)):
        yield True
    if len(left) >= 7 and _is_family(left[:-1]):
        yield True
    yield any(
        _is_name(left[:n], 3) and is_given(left[:n]) and _is_family(left[n:])
        for n in range(3, len(left) - 3)
    )


def _is_family(word: str) -> bool:
    return _is_name(word, 4)
