"""Lines of text as people read them: wrapped at words in a terminal, whole in a file or a pipe."""

from __future__ import annotations

from rich.console import Console
from rich.padding import Padding
from rich.text import Text


def open_console() -> Console:
    """Open what is printed to; numbers and words have no colour of their own."""
    return Console(highlight=False)


def print_line(console: Console, text: str, *, indent: int = 0, style: str = "") -> None:
    """Print a line, `indent` columns from the left; what is wrapped begins there too.

    Another program, or a search in a file, finds each line whole.
    """
    if console.is_terminal:
        console.print(Padding(Text(text, style=style), (0, 0, 0, indent), expand=False))
    else:
        console.print(Text(" " * indent + text, style=style), soft_wrap=True)
