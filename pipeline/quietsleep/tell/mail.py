"""Digests by mail: text and HTML in one message, nothing attached, encrypted on its way."""

from __future__ import annotations

import smtplib
import socket
import ssl
from collections.abc import Callable, Iterable
from contextlib import suppress
from email.headerregistry import Address
from email.message import EmailMessage
from email.utils import format_datetime

from quietsleep.study.telling import LOOPBACK, MailWay, secret
from quietsleep.tell.outbox import Message, Reply

# Seconds to wait for any one answer; the whole is bounded by who calls.
SECONDS = 15.0


def recipients_of(way: MailWay, centre: str) -> tuple[str, ...]:
    """Return the mailboxes of a centre, or of the coordinating centre (an empty code)."""
    return way.centres.get(centre, ()) if centre else way.coordinating_centre


class Mail:
    """One connection to a mail server for all that waits."""

    def __init__(self, way: MailWay, study: str) -> None:
        self.way, self._study = way, study
        self._ended = False
        self._socket: socket.socket | None = None

    def send(self, waiting: Iterable[Message], told: Callable[[Message, Reply], None]) -> None:
        """Send what waits, and tell what became of each.

        Raises OSError, smtplib.SMTPException and SecretMissing where nothing more can be sent.
        """
        with self._connected() as server:
            for message in waiting:
                if self._ended:
                    return
                told(message, self._send_one(server, message))

    def close(self) -> None:
        """Break off from another thread: whatever is waited for fails at once."""
        self._ended = True
        if self._socket is not None:
            with suppress(OSError):
                self._socket.shutdown(socket.SHUT_RDWR)

    def _connected(self) -> smtplib.SMTP:
        way = self.way
        user = secret(way.user_variable) if way.user_variable else ""
        password = secret(way.password_variable) if way.password_variable else ""
        server: smtplib.SMTP
        if way.encryption == "ssl":
            server = smtplib.SMTP_SSL(
                way.host, way.port, timeout=SECONDS, context=ssl.create_default_context()
            )
        else:
            server = smtplib.SMTP(way.host, way.port, timeout=SECONDS)
        self._socket = server.sock
        try:
            if way.encryption == "starttls":
                server.starttls(context=ssl.create_default_context())
                self._socket = server.sock
            if user:
                server.login(user, password)
        except BaseException:
            server.close()
            raise
        return server

    def _send_one(self, server: smtplib.SMTP, message: Message) -> Reply:
        recipients = recipients_of(self.way, message.to)
        try:
            refused = server.send_message(
                self._made(message, recipients), self.way.sender, recipients
            )
        except smtplib.SMTPServerDisconnected:
            raise
        except smtplib.SMTPResponseException as error:
            return Reply(False, f"the mail server refused the message ({error.smtp_code})")
        except smtplib.SMTPRecipientsRefused as error:
            codes = sorted({code for code, _ in error.recipients.values()})
            listed = ", ".join(map(str, codes))
            return Reply(False, f"the mail server refused the mailbox ({listed})")
        if refused:
            # The others have it; to send it again would give it to them twice.
            n = len(refused)
            said = f"the mail server refused {n} of {len(recipients)} mailboxes"
            return Reply(True, said)
        return Reply(True)

    def _made(self, message: Message, recipients: Iterable[str]) -> EmailMessage:
        mail = EmailMessage()
        domain = self.way.sender.rpartition("@")[2]
        mail["Subject"] = message.subject
        mail["From"] = Address(display_name=self._study, addr_spec=self.way.sender)
        mail["To"] = ", ".join(recipients)
        mail["Date"] = format_datetime(message.written_at)
        # The same at every try, so that a program for mail shows what came twice once.
        mail["Message-ID"] = f"<quietsleep.{message.name}@{domain}>"
        mail["Auto-Submitted"] = "auto-generated"
        mail.set_content(message.body("txt"))
        mail.add_alternative(message.body("html"), subtype="html")
        return mail


# What may go wrong with a server, the most particular first.
_WORDS: tuple[tuple[type[Exception], str], ...] = (
    (ssl.SSLCertVerificationError, "the certificate of {where} cannot be trusted ({why})"),
    (smtplib.SMTPAuthenticationError, "{where} refused the account"),
    (smtplib.SMTPNotSupportedError, "{where} offers no encryption, or takes no account"),
    (smtplib.SMTPResponseException, "{where} refused ({code})"),
    (TimeoutError, "{where} does not answer"),
    (socket.gaierror, "{where} is not known on this network"),
    (ConnectionRefusedError, "{where} takes no connection at port {port}"),
    (ssl.SSLError, "{where} does not speak TLS at port {port}"),
    (smtplib.SMTPServerDisconnected, "{where} broke off"),
    (OSError, "{where} broke off"),
    (Exception, "{where} could not be used ({kind})"),
)


def in_words(error: Exception, way: MailWay) -> str:
    """Say why no mail could be sent, without what the server or the account said of itself."""
    if isinstance(error, smtplib.SMTPServerDisconnected) and error.__context__ is not None:
        # What the library makes of a server that says nothing in time.
        error = error.__context__ if isinstance(error.__context__, TimeoutError) else error
    words = next(words for kind, words in _WORDS if isinstance(error, kind))
    return words.format(
        where="this machine" if way.host in LOOPBACK else way.host,
        port=way.port,
        why=getattr(error, "verify_message", ""),
        code=getattr(error, "smtp_code", ""),
        kind=type(error).__name__,
    )
