"""What to do about an answer: pure, from the words in it.

The answers are servers' own; where a server's wording is looked for, the tests name it.
"""

from __future__ import annotations

from dooryard.sinks.base import SendOutcome, SendResult

_NO_CERTIFICATE = (
    "it wants a certificate of the box's own, which Dooryard has none of: let it accept a bearer token "
    "or a user and password instead"
)
_NO_RSYNC = "the host has no rsync, or the connection broke off: install rsync there, or try again"
_ANOTHER_KEY = (
    "the host was set up again, or something on the way poses as it. Ask whoever runs it for its fingerprint "
    "(there: ssh-keygen -lf /etc/ssh/ssh_host_ed25519_key.pub), compare it with what "
    "`ssh-keyscan HOST | ssh-keygen -lf -` shows here, "
    "and only if they agree put the new key into known_hosts"
)

# What an answer may hold, and what is then the likely remedy; the first that fits counts.
REMEDIES: tuple[tuple[tuple[str, ...], str], ...] = (
    # The program itself.
    (("fault in the sink",), "this should not happen: please report it with the log"),
    (("is not installed",), "install it: apt install rsync"),
    (("journal is not built",), "build the journal first: dooryard journal"),
    # Certificates and encryption.
    (("certificate has expired",), "the receiver's certificate has expired: renew it there"),
    (
        ("certificate is not yet valid",),
        "the box's clock is likely wrong: wait until it is set, and try again",
    ),
    (
        ("hostname mismatch", "address mismatch"),
        "use the name that the certificate is for, not another or a number",
    ),
    (
        ("self-signed", "self signed", "local issuer", "certificate was not accepted"),
        "name the PEM file of the receiver's authority as ca_file",
    ),
    (
        (
            "certificate of the client",
            "no client certificate",
            "certificate_required",
            "certificate required",
        ),
        _NO_CERTIFICATE,
    ),
    (("wants https",), "the port speaks TLS: write the address with https"),
    (
        ("does not offer",),
        'the server knows no such encryption or log-in there: try security "tls", or its other port',
    ),
    (("TLS failed",), "the port speaks no TLS, or other TLS: mail wants 465 for tls and 587 for starttls"),
    # A web host by ssh.
    (("host's key is not the one",), _ANOTHER_KEY),
    (
        ("host key verification failed",),
        "the host's own key is not in known_hosts: add it with ssh-keyscan, and compare it with the host's",
    ),
    (
        ("permission denied (publickey", "permission denied, please", "permission denied (password"),
        "the host does not know the key: put its public half into authorized_keys there, and check user",
    ),
    (("write-only server",), "remove_gone reads the list of what was published: allow rrsync without -wo"),
    (("read-only server",), "the key may only read: allow rrsync without -ro in authorized_keys"),
    (("rrsync error",), "what authorized_keys allows this key does not fit: see the README on the key"),
    (("command not found", "rsync: not found"), _NO_RSYNC),
    (("is your shell clean",), "the host prints words at log-in: restrict the key with rrsync"),
    # Disks and folders, here and there.
    (
        ("no space left", "quota exceeded", "insufficient system storage", "4.3.1"),
        "the disk there is full: make room on it",
    ),
    (("read-only file system",), "the disk there can only be read: look at it"),
    (
        ("no such file or directory",),
        "only the last folder of the path is made: check the path, and make the folder above it",
    ),
    (
        ("permission denied", "operation not permitted"),
        "the user may not write there: give the folder to that user, or name another",
    ),
    (("files of somebody else",), "move them away, or name another folder"),
    (("not a directory", "file exists"), "a file has that folder's name: name another folder"),
    # Ways.
    (
        ("name was not found", "could not resolve"),
        "check the spelling of the host, and that the network's name server answers",
    ),
    (
        ("connection was refused", "connection refused"),
        "nothing listens there: check the port, and that the receiver runs",
    ),
    (
        ("no connection within", "no connection in time", "connection timed out"),
        "something on the way blocks it: check host and port (many providers block port 25: use 465 or 587)",
    ),
    (("unreachable", "no route"), "the box has no way into that network: check Wi-Fi and router"),
    (
        ("no answer within", "no answer in time", "no data for too long", "not done within"),
        "it connects but does not answer in time: try again, or raise the sink's timeout or deadline",
    ),
    (
        ("no greeting in time",),
        'a port that waits for TLS does so: try security "tls", or for starttls port 587; else try again',
    ),
    # Web.
    (
        ("HTTP 401", "HTTP 403"),
        "the secret, token or log-in is wrong, or lacks a right there",
    ),
    (("HTTP 407", "HTTP 511"), "something on the way wants a log-in of its own: look at the network"),
    (
        ("HTTP 404", "HTTP 410", "HTTP 405"),
        "the path of the address is wrong: copy it again from the receiver",
    ),
    (("HTTP 413",), "even the words alone are too large for it: raise the receiver's limit"),
    (("HTTP 400", "HTTP 415", "HTTP 422"), "it wants another form: see the sink's body, fields and headers"),
    (("HTTP 429",), "it has had too many messages: wait, and set a lower rate for this sink"),
    (("HTTP 507",), "the disk there is full: make room on it"),
    (
        ("redirected elsewhere",),
        "look in a browser where it leads: to a log-in of the network, or to the address that it now has",
    ),
    (("has moved", "redirected"), "put the address that it now has into the box file"),
    (("HTTP 5",), "the receiver is in trouble: look there, or try again later"),
    # Mail.
    (("does not speak SMTP",), "another program listens on that port: check host, port and security"),
    (("answer has no end",), "no sound mail server answers there: check host and port"),
    (("starttls",), 'it takes mail only encrypted: set security to "starttls"'),
    (
        ("relay", "authentication required", "5.7.0 auth", "rejected: access denied"),
        "it passes mail on only for those who log in: give user and password, or check the recipient",
    ),
    (
        ("SMTP 535", "SMTP 534", "SMTP 530"),
        "the user or the password is wrong; some servers want a password made for a program",
    ),
    (
        ("mailbox full", "mailbox is full", "over quota", "4.2.2", "5.2.2"),
        "that recipient's mailbox is full: the others get theirs; let its owner make room",
    ),
    (
        ("SMTP 552", "SMTP 523", "5.3.4", "5.2.3"),
        "even the words alone are too large for it: raise the server's limit",
    ),
    (
        ("spam", "content rejected", "SMTP 554 5.7"),
        "it takes the message for an unwanted one: let it trust the sender's address, or use another server",
    ),
    (
        ("SMTP 55", "SMTP 501", "SMTP 521"),
        "it does not take this sender or recipient: check both addresses",
    ),
    (("SMTP 4",), "it asks to come again later, as many do with strangers: the outbox does so by itself"),
    # Last, as rsync's exit codes say so of whatever it or ssh complains about, which rsync 3.5 may lose.
    (
        ("could not be written there",),
        "look there: the disk there is full, or the user may not write in that folder",
    ),
    (("has no rsync",), f"{_NO_RSYNC}; check too that the port is the right one for this kind of sink"),
    (
        ("unexplained error",),
        "the connection broke off: try again, check that the port is the right one, then see the host's log",
    ),
    (
        ("broke off", "reset the connection", "connection was lost", "closed by"),
        "check that the port is the right one for this kind of sink",
    ),
)


def remedy_for(answer: SendResult) -> str | None:
    """The likely remedy; None when the message was taken by all."""
    if answer.outcome is SendOutcome.SENT:
        return None
    text = answer.text.lower()
    for signs, remedy in REMEDIES:
        if any(sign.lower() in text for sign in signs):
            return remedy
    return "see the receiver's own log for this minute"
