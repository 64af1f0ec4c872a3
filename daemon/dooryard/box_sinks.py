"""The box file's sinks: the ways out, with their addresses and where their secrets are. Pure."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import AfterValidator, BeforeValidator, Field, PlainValidator, model_validator

from dooryard.policy.addresses import (
    WHERE_SECRETS_ARE,
    SecretRef,
    is_loopback,
    mail_address,
    parsed_address,
    secret_ref,
    sink_name,
    webhook_address,
)
from dooryard.policy.schema import Line, Table, as_tuple

Secret = Annotated[SecretRef | None, PlainValidator(secret_ref)]
SinkLabel = Annotated[str, AfterValidator(sink_name)]
MailAddress = Annotated[str, AfterValidator(mail_address)]
PathText = Annotated[str, Field(min_length=1, max_length=4096)]


class Webhook(Table):
    """A receiver of HTTP POSTs, signed by the Standard Webhooks rules if it has a secret."""

    kind: Literal["webhook"]
    name: SinkLabel = Field(description="What policies call it.")
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

    @model_validator(mode="after")
    def _bearer_goes_encrypted(self) -> Webhook:
        url = parsed_address(self.url)
        if self.bearer and url and url.scheme == "http" and not is_loopback(url.host or ""):
            raise ValueError("a bearer token would go unencrypted; use https, or leave out bearer")
        return self


class Email(Table):
    """A mail server that takes messages for the box."""

    kind: Literal["email"]
    name: SinkLabel = Field(description="What policies call it.")
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
    ca_file: PathText | None = Field(
        default=None, description="PEM file of the authority to trust. Left out: those of the system."
    )

    @property
    def port_used(self) -> int:
        return self.port or {"tls": 465, "starttls": 587, "none": 25}[self.security]

    @model_validator(mode="after")
    def _fits(self) -> Email:
        if self.security == "none" and not is_loopback(self.host):
            raise ValueError('security "none" is only for a server on this machine; use "tls" or "starttls"')
        if (self.user is None) != (self.password is None):
            raise ValueError("user and password go together; give both or neither")
        return self


class Memory(Table):
    """A sink that keeps what it is given until the program ends, for trials."""

    kind: Literal["memory"]
    name: SinkLabel = Field(description="What policies call it.")


SinkTable = Annotated[Webhook | Email | Memory, Field(discriminator="kind")]
