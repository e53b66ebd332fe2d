"""Look for keys, tokens and passwords in what is kept under version control.

`python -m benchmarks.planted_secrets` reads every file that git knows with detect-secrets, and
fails on anything that was not looked at: a finding is harmless by its file and a reason (HARMLESS),
or an invented one that a test plants on purpose (INVENTED).
"""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from fnmatch import fnmatch
from pathlib import Path

from detect_secrets.core.secrets_collection import SecretsCollection
from detect_secrets.settings import transient_settings

HERE = Path(__file__).parent.parent
OWN = "benchmarks/planted_secrets.py"
# Signals, tables, pictures, and lists of digests.
NOT_READ = ("*.parquet", "*.png", "*.zip", "*.edf", "*.csv", "*.csv.gz", "pins.txt")
MOST_BYTES = 1_000_000
PLUGINS = (
    "ArtifactoryDetector", "AWSKeyDetector", "AzureStorageKeyDetector", "BasicAuthDetector",
    "CloudantDetector", "DiscordBotTokenDetector", "GitHubTokenDetector", "GitLabTokenDetector",
    "IbmCloudIamDetector", "IbmCosHmacDetector", "JwtTokenDetector", "KeywordDetector",
    "MailchimpDetector", "NpmDetector", "OpenAIDetector", "PrivateKeyDetector",
    "PypiTokenDetector", "SendGridDetector", "SlackDetector", "SoftlayerDetector",
    "SquareOAuthDetector", "StripeDetector", "TelegramBotTokenDetector", "TwilioKeyDetector",
)  # fmt: skip
SETTINGS = {"plugins_used": [{"name": name} for name in PLUGINS]}
# Pattern of files, kind of finding (* for all), why it is none.
HARMLESS: tuple[tuple[str, str, str], ...] = (
    ("contracts/keys.toml", "Secret Keyword", "names the variable that holds a password"),
    ("docs/telling.md", "Secret Keyword", "names the variable that holds a password"),
    ("tests/techniques/test_tidal.py", "GitHub Token", "the beginning of the name of a test"),
)
# The same for what a test invents: nothing outside the tests knows it.
INVENTED: tuple[tuple[str, str, str], ...] = (
    ("tests/hostile/test_access.py", "Secret Keyword", "a sentence that must not be served"),
    ("tests/hostile/test_query_hostile.py", "Secret Keyword", "a sentence that must not be read"),
    ("tests/orchestration/services.py", "Secret Keyword", "of a store that lives for a test"),
    ("tests/orchestration/test_storage.py", "Basic Auth Credentials", "an address to be refused"),
    ("tests/study/test_telling.py", "Secret Keyword", "names a variable, or is to be refused"),
    ("tests/study/test_telling.py", "Basic Auth Credentials", "an address to be refused"),
    ("tests/tell/servers.py", "Secret Keyword", "of a mail server that lives for a test"),
    ("tests/tell/test_sending.py", "Secret Keyword", "names the variable of a password"),
    ("tests/warehouse/test_release.py", "Secret Keyword", "a sentence that must not be released"),
)


@dataclass(frozen=True, slots=True, order=True)
class Found:
    """What looks like a secret, and where; what it says is told nowhere."""

    file: str
    line: int
    kind: str


def secrets_in(folder: Path, files: Iterable[str]) -> list[Found]:
    """Return all that looks like a secret in files below a folder, in order."""
    found: list[Found] = []
    with transient_settings(SETTINGS):
        for file in files:
            collection = SecretsCollection(root=str(folder))
            collection.scan_file(file)
            found += [Found(file, secret.line_number, secret.type) for _, secret in collection]
    return sorted(found)


def not_looked_at(found: Iterable[Found]) -> list[Found]:
    """Return the findings that no entry of HARMLESS or INVENTED names."""
    return [
        each
        for each in found
        if not any(
            fnmatch(each.file, files) and kind in ("*", each.kind)
            for files, kind, _ in (*HARMLESS, *INVENTED)
        )
    ]


def known_to_git(folder: Path) -> Iterator[str]:
    """Yield every text file under version control, relative to the folder."""
    said = subprocess.run(
        ["git", "ls-files", "-z"], cwd=folder, check=True, capture_output=True, text=True
    )
    for file in said.stdout.split("\0"):
        if not file or any(fnmatch(file, pattern) for pattern in NOT_READ):
            continue
        if (folder / file).is_file() and (folder / file).stat().st_size <= MOST_BYTES:
            yield file


def main() -> int:
    """Say what looks like a secret and was not looked at."""
    files = [*known_to_git(HERE)]
    new = not_looked_at(secrets_in(HERE, files))
    for each in new:
        print(f"{each.file}:{each.line}: {each.kind}. Take it out, or say in {OWN} why it stays.")
    if not new:
        print(f"No secret in {len(files)} files.")
    return 1 if new else 0


if __name__ == "__main__":
    sys.exit(main())
