"""Names in scripts without capital letters."""

from __future__ import annotations

import itertools
import re
from collections.abc import Iterator
from functools import cache

from quietsleep.intake.identifiers.names import is_given, languages_of
from quietsleep.intake.identifiers.spelling import CASELESS, plain
from quietsleep.intake.identifiers.vocabulary import frequency_in
from quietsleep.intake.identifiers.words import months, words_of

_RUN = re.compile(f"(?:{CASELESS.pattern}[\u0300-\u036f\u064b-\u065f\u0e31-\u0e4e\u093e-\u094d]*)+")
_HAN = re.compile("[\u3400-\u9fff]")
_KANA = re.compile("[\u3040-\u30ff]")
_HANGUL = re.compile("[\uac00-\ud7af]")
# The most common family names of one sign, and some of two.
_CHINESE = frozenset(
    "王李张張刘劉陈陳杨楊黄黃赵趙吴吳周徐孙孫马馬朱胡郭何高林罗羅郑鄭梁谢謝"
    "宋唐许許韩韓冯馮邓鄧曹彭曾肖蕭萧田董袁潘于蒋蔣蔡余杜叶葉程苏蘇魏吕呂丁"
    "任沈姚卢盧姜崔钟鍾谭譚陆陸汪范廖石金韦韋贾賈夏付方白邹鄒孟熊秦邱江尹薛"
    "闫阎段雷侯龙龍史陶黎贺賀顾顧毛郝龚龔邵万萬钱錢严嚴覃武戴莫孔向汤湯常温"
    "康施文牛樊葛邢安齐齊易乔喬伍庞龐颜顏倪庄莊聂聶章鲁魯岳翟殷詹申欧歐耿关"
    "關兰蘭焦俞左柳甘祝包宁阮"
)
_KOREAN = frozenset(
    "김이박최정강조윤장임한오서신권황안송류유전홍고문양손배백허남심노하곽성"
    "차주우구민진나지엄채원천방공현함변염여추도소석선설마길연위표명기반왕금"
    "옥육인맹제모"
)
_TITLES_CJK = re.compile(
    "(?P<name>[\u3400-\u9fff\u3040-\u30ff]{1,5})(?:さん|ちゃん|くん|君|様|"
    "先生|医師|医生|醫師|护士|護士|女士|先生|小姐|技师|技師|主任|妈妈|媽媽|"
    "爸爸|宝宝|寶寶|の母|の父|ママ|パパ|氏)|"
    "(?P<kana>[\u30a0-\u30ff]{2,8}(?: [\u30a0-\u30ff]{2,8})?) ?(?:様|さん|"
    "ちゃん|くん|君|先生)|(?P<ko>[\uac00-\ud7af]{2,4}) ?(?:씨|님|선생님|"
    "간호사|의사|교수|엄마|아빠|아기|어머니|아버지|환아|보호자)"
)
_ANNOUNCED_CJK = re.compile(
    "(?:姓名|名字|患者|患儿|患兒|宝宝|寶寶|宝妈|母亲|母親|父亲|父親|妈妈|"
    "媽媽|爸爸|家长|家長|氏名|名前|担当|検査者|医师|医生|主治|护士|联系人|"
    "聯絡人|操作员|技师|签名|簽名|署名|お名前|母|父|이름|성명|환자|환아|"
    "아기|산모|엄마|아빠|담당|검사자|보호자|간호사|의사)[ :：の은는]{1,3}"
    "(?P<name>[\u3400-\u9fff\u3040-\u30ff\uac00-\ud7af]{2,6})"
    "(?![\u3400-\u9fff\u3040-\u30ff\uac00-\ud7af])"
)


_ROLE_CJK = re.compile(
    "(?:患儿|患兒|患児|宝宝|寶寶|婴儿|嬰兒|妈妈|媽媽|母亲|母親|爸爸|父亲|"
    "父親|家长|家長|护士|護士|医生|醫生|医师|男婴|女婴|母|父|外婆|奶奶|"
    "宝妈|児)[ :：]?"
)
_COMPOUND_CJK = (
    "欧阳",
    "歐陽",
    "司马",
    "司馬",
    "上官",
    "诸葛",
    "諸葛",
    "夏侯",
    "东方",
    "皇甫",
    "尉迟",
    "公孙",
    "慕容",
    "令狐",
    "宇文",
    "长孙",
    "司徒",
    "南宫",
    "端木",
)


def finds_caseless_name(text: str, *, is_code: bool) -> str | None:
    """Say by which sign a text holds a name in a script without capitals; None for none."""
    text = re.sub("(?<=[\u0590-\u05ff])[\"'״׳](?=[\u0590-\u05ff])", "", text)
    if text.isascii() or not (runs := _RUN.findall(text)):
        return None
    is_eastern = _HAN.search(text) or _KANA.search(text) or _HANGUL.search(text)
    if is_eastern and (said := _east_asian(text, runs, is_code=is_code)):
        return said
    thai = [r for r in runs if "\u0e00" <= r[0] <= "\u0e7f"]
    if thai and (said := _thai(text)):
        return said
    words = [
        word
        for r in runs
        if not _HAN.match(r) and not _HANGUL.match(r) and not _KANA.match(r) and r not in thai
        if (word := plain(r))
    ]
    return _spaced(words, alone=re.search(r"\d", text) is None, is_code=is_code) if words else None


def _spaced(words: list[str], *, alone: bool, is_code: bool) -> str | None:
    """Names in scripts that part words by spaces: Arabic, Hebrew, Devanagari."""
    return next(_signs_of_spaced(words, alone=alone, is_code=is_code), None)


def _signs_of_spaced(words: list[str], *, alone: bool, is_code: bool) -> Iterator[str]:
    named = [_kind(word) for word in words]
    for n, word in enumerate(words[:-1]):
        if word not in words_of("names.roles_caseless"):
            continue
        m = n + 1
        while m < len(words) - 1 and words[m] in words_of("names.roles_caseless"):
            m += 1
        behind = named[m + 1] if m + 1 < len(words) else "ordinary"
        if named[m] == "name" or (named[m] != "ordinary" and behind in {"name", "unknown"}):
            yield "it stands beside a role"
        several = len(words) - m >= 2 and not _has_lists(words[m])
        if named[m] == "unknown" and (word in words_of("names.titles_caseless") or several):
            yield "it stands beside a role"
    for one, two in itertools.pairwise(named):
        if "name" in (one, two) and "ordinary" not in (one, two):
            yield "two words stand together as names do"
        if one == two == "ambiguous" and len(words) == 2 and alone:
            yield "two words stand together as names do"
        if {one, two} == {"unknown", "ambiguous"} and len(words) <= 3:
            yield "two words stand together as names do"
    if "name" in named:
        yield "it is in lists of names"
    if (
        alone
        and 2 <= len(words) <= 3
        and named.count("unknown") == len(words)
        and all(map(_has_lists, words))
    ):
        yield "two words stand together as names do"
    if is_code and ("unknown" in named or "ambiguous" in named):
        yield "a code holds a word that is no ordinary one"
    return


def _has_lists(word: str) -> bool:
    """Whether there are lists of ordinary words of its script."""
    return any(
        low <= word[0] <= high
        for low, high in (("\u0590", "\u06ff"), ("\u0900", "\u09ff"), ("\u0b80", "\u0bff"))
    )


def _kind(word: str) -> str:
    if word in _ordinary_words():
        return "ordinary"
    often = _often(word)
    if languages_of(word) & {
        "ar",
        "fa",
        "he",
        "hi",
        "bn",
        "ta",
        "ka",
        "hy",
        "ne",
        "mr",
        "te",
        "gu",
        "ur",
        "dar",
        "or",
        "pa",
    }:
        return "name" if often < 4.0 else "ambiguous"
    if often == 0 and word in months():
        return "ambiguous"
    return "ordinary" if often >= 3.0 or len(word) < 3 or _is_inflected(word) else "unknown"


@cache
def _ordinary_words() -> frozenset[str]:
    return words_of("harmless.ward") | words_of("names.roles_caseless")


def _is_inflected(word: str) -> bool:
    """Whether a word is known without what is joined to it in front."""
    return any(
        word.startswith(front) and _often(word[len(front) :]) >= 3.2 and len(word) - len(front) >= 3
        for front in ("ال", "وال", "بال", "لل", "و", "ب", "ה", "ב", "ל", "מ", "ו", "ש", "כ")
    )


def _often(word: str) -> float:
    first = word[0]
    if "\u0590" <= first <= "\u05ff":
        return frequency_in(word, ("he",))
    if "\u0600" <= first <= "\u06ff":
        return frequency_in(word, ("ar", "fa", "ur"))
    if "\u0900" <= first <= "\u0fff":
        return frequency_in(word, ("hi", "bn", "ta"))
    return 0.0


def _thai(text: str) -> str | None:
    match = re.search(
        "(?:นางสาว|นาง|นาย|ด\\.ช\\.|ด\\.ญ\\.|เด็กชาย|เด็กหญิง|คุณแม่|คุณพ่อ|"
        "คุณ|น้อง|พญ\\.|นพ\\.|หมอ|แม่ชื่อ|ชื่อ) ?([\u0e01-\u0e4e]{3,})",
        text,
    )
    if match and not match.group(1).startswith(("แม่", "พ่อ", "หมอ", "พยาบาล", "ภาพ")):
        return "it stands beside a role"
    words = re.findall("[\u0e01-\u0e4e]+", text)
    if any(languages_of(plain(word)) & {"th"} for word in words):
        return "it is in lists of names"
    return None


def _east_asian(text: str, runs: list[str], *, is_code: bool) -> str | None:
    return next(_signs_of_east_asian(text, runs, is_code=is_code), None)


def _signs_of_east_asian(text: str, runs: list[str], *, is_code: bool) -> Iterator[str]:
    if (match := _ANNOUNCED_CJK.search(text)) and _may_be_east_asian(match["name"]):
        yield "a word before it announces a name"
    for match in _TITLES_CJK.finditer(text):
        if (kana := match["kana"]) and frequency_in(kana.split()[0], ("ja",)) < 4:
            yield "it stands beside a role"
        name = match["name"] or match["ko"] or ""
        if (
            match["name"]
            and match.group().endswith("先生")
            and len(name) >= 2
            and frequency_in(name[-2:], ("ja", "zh")) < 3.4
        ):
            yield "it stands beside a role"
        if any(
            _may_be_east_asian(name[-n:]) or _is_given_there(name[-n:])
            for n in range(2, len(name) + 1)
        ):
            yield "it stands beside a role"
        if (
            match["name"]
            and len(name) == 1
            and name in _CHINESE
            and match.group()[1:]
            in {"医生", "医师", "护士", "女士", "小姐", "主任", "醫師", "先生"}
        ):
            yield "it stands beside a role"
    if re.search(
        "[\u3400-\u9fff]{2,4}之[子女]|(?<![\u3041-\u3096])(?!あか|おに|おね|"
        "おば|おじ|おか|おと|にい|ねえ)[\u3041-\u3096]{2,5}(?:くん|ちゃん)|"
        "[\uac00-\ud7af]{3} ?(?:산모|아기|엄마|아빠|환아)",
        text,
    ):
        yield "it stands beside a role"
    if _behind_role_cjk(text):
        yield "it stands beside a role"
    for run in runs:
        if (2 <= len(run) <= 4 or (len(run) <= 5 and _HAN.match(run))) and _is_east_asian_name(run):
            yield "it is built as names are"
    pairs = list(itertools.pairwise(runs))
    if any(
        len(a) <= 4
        and len(b) <= 4
        and _is_listed(a)
        and (_is_listed(b) or frequency_in(b, ("ja", "ko", "zh")) < 3.2)
        for a, b in pairs
    ):
        yield "two words stand together as names do"
    if is_code and any(
        len(run) >= 2 and frequency_in(run, ("zh", "ja", "ko")) == 0 for run in runs
    ):
        yield "a code holds a word that is no ordinary one"
    return


def _behind_role_cjk(text: str) -> bool:
    """Whether behind a role follows what is built as a name, without a space."""
    for match in _ROLE_CJK.finditer(text):
        behind = text[match.end() :]
        parts = re.match("([\u3400-\u9fff]{1,3}) ([\u3400-\u9fff]{1,3})(?![\u3400-\u9fff])", behind)
        if parts and all(frequency_in(part, ("ja", "zh")) < 3.6 for part in parts.groups()):
            return True
        run = re.match("[\u3400-\u9fff]{2,5}", behind)
        is_built = run and (run.group()[0] in _CHINESE or len(behind) > len(run.group()))
        said_so = match.group()[-1:] in ":："
        if run and said_so and is_built and frequency_in(run.group(), ("zh", "ja")) < 3.3:
            return True
        if behind.startswith(_COMPOUND_CJK):
            return True
        run = re.match("[\u3400-\u9fff]{2,}", behind)
        if run and behind[0] in _CHINESE:
            first = [frequency_in(behind[n : n + 2], ("zh", "ja")) for n in (0, 1)]
            if len(run.group()) >= 3 and max(first) < 3.0:
                return True
    return False


def _is_given_there(name: str) -> bool:
    return is_given(plain(name)) and bool(languages_of(plain(name)) & {"ja", "ko", "zh"})


def _is_listed(run: str) -> bool:
    return bool(languages_of(plain(run)) & {"ja", "ko", "zh"})


def _may_be_east_asian(name: str) -> bool:
    """Whether a run may be a name where one is announced."""
    if _is_listed(name):
        return True
    built = (
        name[0] in _CHINESE or name[0] in _KOREAN or any(_is_listed(name[:n]) for n in (1, 2, 3))
    )
    return built and 2 <= len(name) <= 5 and frequency_in(name, ("zh", "ja", "ko")) < 3.2


def _is_east_asian_name(run: str) -> bool:
    """Whether a run of two to four signs is a family name with a given name behind it."""
    if frequency_in(run, ("zh", "ja", "ko")) >= 3.0:
        return False
    if _HANGUL.match(run):
        if frequency_in(run[:2], ("ko",)) >= 3.0:
            return False
        return (
            len(run) == 3
            and run[0] in _KOREAN
            and (_is_given_there(run[1:]) or frequency_in(run[1:], ("ko",)) == 0)
        )
    if any(_is_listed(run[:n]) and _is_listed(run[n:]) for n in range(1, len(run))):
        return True
    if run[0] in _CHINESE and len(run) in {2, 3} and not _KANA.search(run):
        given = run[1:]
        known = frequency_in(given, ("zh", "ja"))
        return known < 3.3 and not any(
            frequency_in(run[n : n + 2], ("zh", "ja")) >= 3.3 for n in range(len(run) - 1)
        )
    return (
        len(run) in {4, 5}
        and _is_listed(run[:2])
        and frequency_in(run[2:], ("ja",)) < 3.0
        and frequency_in(run[:2], ("ja",)) < 5
    )
