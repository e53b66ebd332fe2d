"""What is served under which policy, what a browser may keep, and how a query is reached."""

from __future__ import annotations

import re
import shutil
from itertools import pairwise
from pathlib import Path

import httpx
import pytest

from quietsleep.review.answers import list_queries
from quietsleep.server.access import Tokens
from quietsleep.server.app import open_pages
from quietsleep.server.sessions import LoginSession
from quietsleep.study.study import load_study
from tests.server.conftest import Visitor
from tests.server.running import running


@pytest.fixture
def study(small_night: tuple[Path, object], tmp_path: Path) -> Path:
    shutil.copytree(small_night[0], tmp_path / "study", symlinks=True)
    return tmp_path / "study"


def is_strict(answer: httpx.Response) -> bool:
    policy = answer.headers["content-security-policy"]
    said = dict(part.strip().split(" ", 1) for part in policy.split(";"))
    return (
        said["default-src"] == "'none'"
        and said["script-src"] == said["style-src"] == "'self'"
        and said["frame-ancestors"] == said["base-uri"] == "'none'"
        and "unsafe" not in policy
        and answer.headers["x-content-type-options"] == "nosniff"
        and answer.headers["referrer-policy"] == "same-origin"
    )


def test_every_answer_goes_out_under_the_strict_policy(study: Path, larch: Visitor) -> None:
    pages = [f"/larch/{p.relative_to(study / 'pages/larch').as_posix()}"
             for p in (study / "pages" / "larch").rglob("*.html")]  # fmt: skip
    assert len(pages) > 4
    paths = ("/", "/larch/", "/dictionary/", "/nothing/", "/-/login", "/-/desk/larch/",
             "/-/desk/larch/queries/", "/-/assets/style.css", "/larch/assets/style.css",
             "/-/nothing", *pages)  # fmt: skip
    for path in paths:
        assert is_strict(larch.client.get(path)), path
    with running(open_pages(study / "pages")) as open_to_all:
        for path in ("/overview/", "/larch/", "/nothing", "/larch/assets/style.css"):
            assert is_strict(httpx.get(open_to_all + path)), path


def test_served_pages_hold_nothing_inline(study: Path) -> None:
    """What the policy would refuse: it is asked of the pages, since a browser only complains."""
    inline = re.compile(r"<style|<script(?![^>]*\bsrc=)|\sstyle=|\son[a-z]+=\"", re.IGNORECASE)
    for path in (study / "pages").rglob("*.html"):
        found = inline.search(path.read_text())
        assert found is None, (path, found)


def test_styles_and_scripts_are_sent_once_and_what_tells_of_infants_is_not_kept(
    study: Path, larch: Visitor
) -> None:
    page = larch.client.get("/larch/")
    assert "no-store" in page.headers["cache-control"]
    links = re.findall(r'(?:href|src)="([^"]*assets/[^"]+)"', page.text)
    assert len(links) >= 3
    for link in links:
        path = link if link.startswith("/") else f"/larch/{link}"
        answer = larch.client.get(path)
        assert "immutable" in answer.headers["cache-control"], link
        bare = larch.client.get(path.partition("?")[0])
        assert bare.content == answer.content and bare.headers["cache-control"].endswith("no-cache")
        tag = answer.headers["etag"]
        again = larch.client.get(path, headers={"if-none-match": tag})
        assert again.status_code == 304 and not again.content
        stale = larch.client.get(path.partition("?")[0] + "?v=0123456789abcdef")
        assert "immutable" not in stale.headers["cache-control"]
    # Another content has another address.
    (study / "pages/larch/assets/style.css").write_text("body { color: red; }")
    assert links[0] not in larch.client.get("/larch/").text
    assert larch.client.get(f"/larch/{links[0]}").text.startswith("body")
    assert "immutable" not in larch.client.get(f"/larch/{links[0]}").headers["cache-control"]
    deep = next((study / "pages" / "larch" / "months").glob("*.html"))
    text = larch.client.get(f"/larch/months/{deep.name}").text
    assert re.search(r'href="\.\./assets/style\.css\?v=[0-9a-f]{16}"', text)


def test_assets_of_another_centre_are_asked_for_in_vain(larch: Visitor) -> None:
    assert larch.client.get("/willow/assets/style.css").status_code == 404
    assert httpx.get(f"{larch.address}/larch/assets/style.css").status_code == 303
    assert httpx.get(f"{larch.address}/-/assets/style.css").status_code == 200


def test_answers_are_packed_for_those_who_can_read_them(larch: Visitor) -> None:
    packed = larch.client.get("/larch/", headers={"accept-encoding": "gzip"})
    plain = larch.client.get("/larch/", headers={"accept-encoding": "identity"})
    assert packed.headers["content-encoding"] == "gzip"
    assert int(packed.headers["content-length"]) < int(plain.headers["content-length"]) / 3
    assert "content-encoding" not in plain.headers

    def without_word(text: str) -> str:
        return re.sub(r'name="form_token" value="[^"]+"', "", text)

    assert without_word(packed.text) == without_word(plain.text)


def test_the_word_of_a_browser_is_never_written_the_same_twice(larch: Visitor) -> None:
    pages = [larch.client.get("/larch/").text for _ in range(8)]
    words = [re.findall(r'name="form_token" value="([^"]+)"', page)[0] for page in pages]
    assert len(set(words)) == 8
    for one, two in pairwise(words):
        assert sum(a == b for a, b in zip(one, two, strict=True)) < len(one) / 3
    session = LoginSession("name", 0.0, b"a word of some bytes")
    assert session.is_own(session.form_token) and session.is_own(session.form_token)
    other = LoginSession("name", 0.0, b"b word of some bytes")
    for wrong in (other.form_token, "", "x", session.form_token[:-4], "\u00e4", "=" * 64):
        assert not session.is_own(wrong)


def test_a_query_has_one_address_that_leads_to_its_answer(study: Path, address: str) -> None:
    rows = list_queries(load_study(study))
    row = rows[rows["centre"].notna() & (rows["state"] == "open")].iloc[0]
    number, centre = int(row["query"]), row["centre"]
    other = next(c for c in load_study(study).centres if c != centre)
    place = f"/-/queries/{number}"
    asked = httpx.get(f"{address}{place}")
    assert asked.status_code == 303 and "to=%2F-%2Fqueries" in asked.headers["location"]
    for whose, own in ((centre, centre), ("", "overview")):
        visitor = Visitor(address, Tokens(study).issue(whose), own)
        answer = visitor.client.get(place)
        assert answer.headers["location"] == f"/-/desk/{own}/queries/{number}"
        page = visitor.client.get(answer.headers["location"])
        assert page.status_code == 200 and f'<h1 id="h-lead">Query {number}</h1>' in page.text
        assert "<details open>" in page.text and page.text.count('<form method="post"') >= 1
        assert len(re.findall(r'id="q[0-9]+"', page.text)) == 1
        assert visitor.client.post(place, data={"form_token": visitor.word}).status_code == 404
    stranger = Visitor(address, Tokens(study).issue(other), other)
    assert stranger.client.get(place, follow_redirects=True).status_code == 404
    for wrong in ("999999", "x", "1/2"):
        assert visitor.client.get(f"/-/queries/{wrong}", follow_redirects=True).status_code == 404


def test_a_mark_becomes_a_link_when_it_is_served_and_cannot_be_forged(
    study: Path, address: str
) -> None:
    page = study / "pages" / "larch" / "index.html"
    text = page.read_text().replace(
        "</main>", "<p>Asked.<!--answer 17--> &lt;!--answer 18--&gt; <!--answer x--></p></main>"
    )
    page.write_text(text)
    larch = Visitor(address, Tokens(study).issue("larch"), "larch")
    served = larch.client.get("/larch/").text
    assert ' <a class="answer" href="/-/queries/17">Answer' in served
    assert "/-/queries/18" not in served and "<!--answer x-->" in served
