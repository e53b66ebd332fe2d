"""What the end of a red night says where many known answers moved."""

from __future__ import annotations

from quietsleep.night.known_answers import MOST_SENTENCES, KnownAnswer, in_short, moved


def moved_quantities(count: int) -> list[str]:
    return moved([
        KnownAnswer("tidal", f"q{n}_ml", "an item", "truth", 10.0, 0.5, 12.0) for n in range(count)
    ])  # fmt: skip


def test_as_many_as_can_be_read_are_said_in_full() -> None:
    said = moved_quantities(MOST_SENTENCES)
    assert in_short(said, log="the log") == said and len(said) == MOST_SENTENCES


def test_more_than_can_be_read_are_counted_and_their_list_is_named() -> None:
    for beyond, words in ((1, "1 more quantity moved"), (4, "4 more quantities moved")):
        said = moved_quantities(MOST_SENTENCES + beyond)
        short = in_short(said, log="work/logs/n000003.log")
        assert short[:-1] == said[:MOST_SENTENCES] and len(said) == MOST_SENTENCES + beyond
        assert words in short[-1] and "work/logs/n000003.log lists them all" in short[-1]
