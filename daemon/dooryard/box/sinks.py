"""The box file's [[sink]] tables: the kinds of sink that come with the program."""

from __future__ import annotations

import time
from typing import TYPE_CHECKING, Annotated, Literal

from pydantic import AfterValidator, BeforeValidator, Field, PlainValidator, model_validator

from dooryard.box.addresses import (
    WHERE_SECRETS_ARE,
    SecretRef,
    host_name,
    is_loopback,
    key_ref,
    login_name,
    mail_address,
    parsed_address,
    secret_ref,
    webhook_address,
)
from dooryard.box.kinds import PathText, SinkLabel, SinkOptions, Surroundings
from dooryard.core.wording import listed
from dooryard.policy.schema import Line, Table, as_tuple
from dooryard.sinks.base import Sink
from dooryard.sinks.body import BodyKind, BodyPlan, plan_from

if TYPE_CHECKING:
    from dooryard.sinks.remote import Host

Secret = Annotated[SecretRef | None, PlainValidator(secret_ref)]
MailAddress = Annotated[str, AfterValidator(mail_address)]


class WebhookOptions(SinkOptions):
    """A receiver of HTTP POSTs, signed by the Standard Webhooks rules if it has a secret."""

    kind: Literal["webhook"]
    url: Annotated[str, AfterValidator(webhook_address)] = Field(description="Its address.")
    secret: Secret = Field(default=None, description=f"Where the signing secret is: {WHERE_SECRETS_ARE}.")
    bearer: Secret = Field(default=None, description="Where its bearer token is, written the same way.")
    ca_file: PathText | None = Field(
        default=None, description="PEM file of the authority to trust. Left out: those of the system."
    )
    connect_timeout_s: float = Field(
        default=5.0, gt=0, le=120, description="Seconds to wait for a connection."
    )
    read_timeout_s: float = Field(default=15.0, gt=0, le=300, description="Seconds to wait for an answer.")

    user: Line | None = Field(default=None, description="Name for basic authentication.")
    password: Secret = Field(default=None, description=f"Where its password is: {WHERE_SECRETS_ARE}.")
    body: BodyKind = Field(
        default="event",
        description="What is sent: a CloudEvents JSON event, or a body of your own.",
    )
    template: str | None = Field(
        default=None,
        max_length=20_000,
        description='The body (json, text), with placeholders such as "$title".',
    )
    fields: dict[str, str] = Field(
        default_factory=dict, description="The fields (form, multipart), with placeholders."
    )
    picture_field: Line = Field(default="picture", description="The picture's field (multipart).")
    content_type: Line | None = Field(default=None, description="In place of the usual one.")
    headers: dict[str, str] = Field(
        default_factory=dict, description="Headers of your own, with placeholders."
    )
    picture_max_bytes: int = Field(
        default=1_000_000, ge=5_000, le=20_000_000, description="Larger pictures are scaled down."
    )
    message_max_bytes: int = Field(
        default=1_000_000,
        ge=5_000,
        le=30_000_000,
        description="The whole message as it is sent: one that is larger gets a smaller picture.",
    )
    at_most_per_hour: float = Field(default=120.0, gt=0, le=10_000, description="The most messages an hour.")

    @property
    def plan(self) -> BodyPlan:
        """How its bodies are made. Raises ValueError for what cannot be; checked when the file is read."""
        return plan_from(
            self.body,
            template=self.template,
            content_type=self.content_type,
            fields=self.fields,
            picture_field=self.picture_field,
            headers=self.headers,
        )

    @model_validator(mode="after")
    def _fits(self) -> WebhookOptions:
        url = parsed_address(self.url)
        unencrypted = url is not None and url.scheme == "http" and not is_loopback(url.host or "")
        if self.bearer and unencrypted:
            raise ValueError("a bearer token would go unencrypted; use https, or leave out bearer")
        if self.user and unencrypted:
            raise ValueError("a password would go unencrypted; use https, or leave out user and password")
        if (self.user is None) != (self.password is None):
            raise ValueError("user and password go together; give both or neither")
        if self.user and self.bearer:
            raise ValueError("bearer and user both log in; give one of them")
        _ = self.plan
        return self

    def build(self, around: Surroundings) -> Sink:
        from dooryard.sinks.webhook import WebhookSink

        password = around.reveal(self.password)
        return WebhookSink(
            self.name,
            self.url,
            secret=around.reveal(self.secret),
            bearer=around.reveal(self.bearer),
            basic=(self.user, password) if self.user and password else None,
            body=self.plan,
            ca_file=around.base / self.ca_file if self.ca_file else None,
            connect_timeout_s=self.connect_timeout_s,
            read_timeout_s=self.read_timeout_s,
            picture_max_bytes=self.picture_max_bytes,
            message_max_bytes=self.message_max_bytes,
            source=f"/dooryard/{around.box_name}",
            now=time.time,
        )


class EmailOptions(SinkOptions):
    """A mail server that takes messages for the box."""

    kind: Literal["email"]
    host: Line = Field(description="The mail server.")
    port: int | None = Field(
        default=None,
        ge=1,
        le=65535,
        description="Its port. Left out: 465 for tls, 587 for starttls, else 25.",
    )
    security: Literal["tls", "starttls", "none"] = Field(
        default="tls", description='How the connection is encrypted; "none" only to this machine itself.'
    )
    user: Line | None = Field(default=None, description="Name to log in with.")
    password: Secret = Field(default=None, description=f"Where the password is: {WHERE_SECRETS_ARE}.")
    sender: MailAddress = Field(alias="from", description="Address that messages come from.")
    to: Annotated[tuple[MailAddress, ...], BeforeValidator(as_tuple), Field(min_length=1, max_length=20)] = (
        Field(description="Addresses that messages go to.")
    )
    timeout_s: float = Field(default=30.0, gt=0, le=300, description="Seconds to wait for the server.")
    picture_max_bytes: int = Field(
        default=1_000_000, ge=5_000, le=20_000_000, description="Larger pictures are scaled down."
    )
    message_max_bytes: int = Field(
        default=1_000_000,
        ge=5_000,
        le=30_000_000,
        description="The whole message as it is sent: one that is larger gets a smaller picture.",
    )
    at_most_per_hour: float = Field(default=120.0, gt=0, le=10_000, description="The most messages an hour.")
    ca_file: PathText | None = Field(
        default=None, description="PEM file of the authority to trust. Left out: those of the system."
    )

    @property
    def port_used(self) -> int:
        return self.port or {"tls": 465, "starttls": 587, "none": 25}[self.security]

    @model_validator(mode="after")
    def _fits(self) -> EmailOptions:
        if self.security == "none" and not is_loopback(self.host):
            raise ValueError('security "none" is only for a server on this machine; use "tls" or "starttls"')
        if (self.user is None) != (self.password is None):
            raise ValueError("user and password go together; give both or neither")
        return self

    def build(self, around: Surroundings) -> Sink:
        from dooryard.sinks.email import EmailSink

        return EmailSink(
            self.name,
            self.host,
            self.port_used,
            sender=self.sender,
            recipients=self.to,
            security=self.security,
            user=self.user,
            password=around.reveal(self.password),
            ca_file=around.base / self.ca_file if self.ca_file else None,
            read_timeout_s=self.timeout_s,
            picture_max_bytes=self.picture_max_bytes,
            message_max_bytes=self.message_max_bytes,
            now=time.time,
        )


class HeartbeatOptions(Table):
    """A request at a steady pace to somebody who notices when it stays away."""

    address: Secret = Field(description=f"Where the address is, which is a secret: {WHERE_SECRETS_ARE}.")
    every_s: float = Field(default=300.0, ge=30, le=86400, description="Seconds between requests.")


class PublishOptions(SinkOptions):
    """Where the journal is brought whenever it has changed: a folder here, or one of a web host by rsync."""

    kind: Literal["publish"]
    name: SinkLabel = Field(description="What messages and the outbox call it; policies do not name it.")
    folder: PathText = Field(description="Where the pages go: a folder here, or on the host if one is given.")
    remove_gone: bool = Field(default=False, description="Remove there what the journal no longer has.")
    host: Annotated[str, AfterValidator(host_name)] | None = Field(
        default=None, description="A web host that is reached by rsync over ssh. Left out: this machine."
    )
    user: Annotated[str, AfterValidator(login_name)] | None = Field(
        default=None, description="Name to log in with there (host)."
    )
    key: Annotated[SecretRef | None, PlainValidator(key_ref)] = Field(
        default=None,
        description='Where the private key is (host): "credential:NAME" or "file:/path". A key of its own,'
        " without a passphrase.",
    )
    known_hosts: PathText | None = Field(
        default=None, description="File with the host's own key, as ssh-keyscan writes it (host)."
    )
    port: int = Field(default=22, ge=1, le=65535, description="The port of its ssh (host).")
    deadline_s: float = Field(
        default=300.0,
        ge=10,
        le=3600,
        description="Seconds after which bringing the pages there is ended, and tried again later (host).",
    )

    @model_validator(mode="after")
    def _fits(self) -> PublishOptions:
        mine = ("user", "key", "known_hosts")
        if self.host is None:
            strangers = [key for key in (*mine, "port", "deadline_s") if key in self.model_fields_set]
            if strangers:
                raise ValueError(f"{listed(strangers)}: only with a host; give host, or take that out")
            return self
        missing = [key for key in mine if getattr(self, key) is None]
        if missing:
            raise ValueError(f"a host needs {listed(missing)} too")
        if self.folder.startswith("-") or not self.folder.isprintable():
            raise ValueError("folder cannot be a folder's path on a host; write it plainly")
        return self

    @property
    def tells_of_visits(self) -> bool:
        return False

    def build(self, around: Surroundings) -> Sink:
        from dooryard.sinks.publish import PublishSink

        target = around.base / self.folder if self.host is None else self._remote(around)
        return PublishSink(self.name, around.journal, target, remove_gone=self.remove_gone)

    def _remote(self, around: Surroundings) -> Host:
        from dooryard.sinks.remote import Host

        assert self.host is not None  # the four go together: see above
        assert self.user is not None
        assert self.known_hosts is not None
        return Host(
            host=self.host,
            user=self.user,
            folder=self.folder,
            key=around.secret_file(self.key),
            known_hosts=around.base / self.known_hosts,
            port=self.port,
            total_timeout_s=self.deadline_s,
            remove_gone=self.remove_gone,
        )


class MemoryOptions(SinkOptions):
    """A sink that keeps what it is given until the program ends, for trials."""

    kind: Literal["memory"]

    def build(self, around: Surroundings) -> Sink:
        from dooryard.sinks.memory import MemorySink

        del around
        return MemorySink(self.name)


SINKS: tuple[type[SinkOptions], ...] = (WebhookOptions, EmailOptions, PublishOptions, MemoryOptions)
