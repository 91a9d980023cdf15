"""One connection to the broker. The only file that knows aiomqtt and paho.

A new client object for each connection: the library's queues die with it, and nothing is sent twice behind our back.
What it raises becomes `LinkLost`, one sentence with the facts beside it.
"""

from __future__ import annotations

import asyncio
import contextlib
import logging
import socket
import ssl
import threading
from collections.abc import Callable, Iterator
from typing import Any, Self

import aiomqtt
from aiomqtt.exceptions import MqttConnectError
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode
from paho.mqtt.subscribeoptions import SubscribeOptions

from nightrake.crashpoint import reach
from nightrake.messages.broker import (
    EARLY,
    ENDED,
    PACKET_BYTES,
    REFUSED,
    UNSPECIFIED,
    BrokerSettings,
    LinkLost,
    Received,
    Refused,
    Will,
)
from nightrake.messages.incoming import bound_packets
from nightrake.messages.tls import tls_context, tls_words

_QUIET = logging.getLogger("nightrake.messages.library")
_QUIET.setLevel(logging.CRITICAL)  # what the library has to say we say ourselves, once for each change
INCOMING_QUEUE = 100
CONNECT_S = 2.5
"""For the TCP connection and again for TLS: runs in a thread that a stop has to wait for."""


class Link:
    """An open connection; made by `connect`."""

    def __init__(self, settings: BrokerSettings, client: _Client) -> None:
        self._settings = settings
        self._client = client
        self._five = settings.protocol == 5
        self._plain = _Packed() if self._five else None

    async def publish(
        self,
        topic: str,
        payload: bytes,
        *,
        retain: bool = False,
        reply_to: str = "",
        correlation: str = "",
        expiry_s: int = 0,
        event: bool = False,
    ) -> None:
        """Publish with QoS 1 and wait for the broker's acknowledgement (which is no proof of delivery).

        Args:
            event: Its sending is a moment at which tests aim a kill.

        Raises:
            LinkLost: It cannot be sent, or was not acknowledged in time; it may have got through all the same.
        """
        special = reply_to or correlation or expiry_s
        properties = _properties(self._five, reply_to, correlation, expiry_s) if special else self._plain
        self._client.event_queued |= event
        with _mapped(self._settings):
            await self._client.publish(topic, payload, qos=1, retain=retain, properties=properties)

    async def subscribe(self, topic: str, qos: int, *, as_published: bool = False) -> None:
        """Subscribe and wait for the answer.

        Args:
            as_published: Say of new messages too whether they were published as retained (MQTT 5 only).

        Raises:
            Refused: The broker does not let us read there. LinkLost: No answer.
        """
        with _mapped(self._settings):
            options = SubscribeOptions(qos=qos, retainAsPublished=True) if as_published and self._five else None
            codes = await self._client.subscribe(topic, 0 if options else qos, options)
        if any((c.value if isinstance(c, ReasonCode) else c) >= 0x80 for c in codes):
            raise Refused(f"{self._settings.place} does not let {self._settings.client_id} read {topic}")

    async def unsubscribe(self, topic: str) -> None:
        """Unsubscribe and wait for the answer."""
        with _mapped(self._settings):
            await self._client.unsubscribe(topic)

    async def receive(self) -> Received:
        """The next message that `wants` let in.

        Raises:
            LinkLost: The connection ended.
        """
        with _mapped(self._settings):
            message = await anext(self._client.messages)
        return _received(message)

    async def close(self, within_s: float) -> None:
        """Say good-bye if that goes quickly, and free the socket in any case."""
        try:
            with contextlib.suppress(aiomqtt.MqttError, OSError, TimeoutError):
                async with asyncio.timeout(within_s):
                    await self._client.__aexit__(None, None, None)
        finally:
            self._client.drop()


class _Client(aiomqtt.Client):
    """The library's client, which can be dropped at any moment without leaving a socket or a task behind."""

    _dropped = False
    gone = False
    """The broker ended it. The library forgets that when it happens just after CONNACK, and then waits for ever."""

    event_queued = False
    """An event waits to be handed to the kernel."""

    _thread = 0
    """The loop's; the library connects in another one."""

    async def __aenter__(self) -> Self:
        self._thread = threading.get_ident()
        return await super().__aenter__()

    def _on_disconnect(self, *args: Any, **kwargs: Any) -> None:
        if not self._connected.done():  # a certificate refused, say: the library would wait on for the answer
            self._connected.set_exception(aiomqtt.MqttError(EARLY))
        self.gone = self.gone or self._connected.exception() is None
        super()._on_disconnect(*args, **kwargs)
        if self._disconnected.done() and not self._disconnected.cancelled():
            self._disconnected.exception()  # seen: asyncio need not complain that nobody looked

    def drop(self) -> None:
        """Close the socket; the library's own close leaves it open after an error or a cancelled connect."""
        self._dropped = True
        self._client._sock_close()
        if self._misc_task is not None:
            self._misc_task.cancel()

    def _on_socket_register_write(self, client: Any, _userdata: Any, sock: Any) -> None:
        # The library has the loop watch the socket's number a moment later, when the socket may be closed, or the
        # number another socket's.
        def write() -> None:
            try:
                client.loop_write()
                if self.event_queued and not client.want_write():
                    self.event_queued = False
                    reach("after-publish")
            except (OSError, ValueError) as error:
                if not self._disconnected.done():
                    self._disconnected.set_exception(error)
                    self._disconnected.exception()

        def register() -> None:
            if client.socket() is sock and client.want_write():
                self._loop.add_writer(sock.fileno(), write)

        # A message goes out at once: waiting until the loop asks the socket costs an alarm what all others do first.
        if threading.get_ident() == self._thread and not client._in_callback_mutex.locked():
            write()
            if client.want_write():
                self._loop.call_soon(register)
        else:
            self._loop.call_soon_threadsafe(register)

    def _client_connect(self) -> None:
        # Runs in a thread of the loop's pool, which nothing can cancel.
        self._client.connect_timeout = CONNECT_S
        super()._client_connect()
        if self._dropped:
            with contextlib.suppress(RuntimeError):  # the loop is closed already
                self._loop.call_soon_threadsafe(self.drop)


async def connect(settings: BrokerSettings, will: Will | None, wants: Callable[[Received], bool], window: int) -> Link:
    """Open a connection with a clean session.

    Args:
        settings: The broker. will: Told by the broker, retained, if we vanish; None for none.
        wants: Called with every incoming message that is not too long; those it turns down cost nothing more.
        window: Publishes in flight at most.

    Raises:
        LinkLost: No connection; says why. MessageError: A TLS file cannot be used.
    """
    context = None
    if settings.ca_file or settings.cert_file or settings.key_file:
        context = await asyncio.to_thread(tls_context, settings.ca_file, settings.cert_file, settings.key_file)
    client = _client(settings, will, wants, window, context)
    try:
        with _mapped(settings):
            await client.__aenter__()
        if client.gone:
            raise LinkLost(f"{settings.place}: {ENDED}")
    except BaseException:
        client.drop()
        raise
    return Link(settings, client)


def _client(
    settings: BrokerSettings,
    will: Will | None,
    wants: Callable[[Received], bool],
    window: int,
    context: ssl.SSLContext | None,
) -> _Client:
    five = settings.protocol == 5
    last: aiomqtt.Will | None = None
    if will is not None:
        last = aiomqtt.Will(will.topic, will.payload, 1, True, _properties(five, "", "", 0, PacketTypes.WILLMESSAGE))
    given: dict[str, Any] = {"clean_start": True, "properties": _connect_properties()} if five else {}
    client = _Client(
        settings.host,
        settings.port,
        identifier=settings.client_id,
        protocol=aiomqtt.ProtocolVersion.V5 if five else aiomqtt.ProtocolVersion.V311,
        clean_session=None if five else True,
        username=settings.username or None,
        password=settings.password or None,
        keepalive=settings.keepalive_s,
        timeout=settings.answer_s,
        will=last,
        queue_type=_inbox(wants),
        max_queued_incoming_messages=INCOMING_QUEUE,
        max_inflight_messages=window,
        logger=_QUIET,
        tls_context=context,
        socket_options=((socket.IPPROTO_TCP, socket.TCP_NODELAY, 1),),
        **given,
    )
    bound_packets(client._client)
    client.pending_calls_threshold = 10 * window  # our window is the limit; no warning on each publish
    return client


def _inbox(wants: Callable[[Received], bool]) -> type[asyncio.Queue[aiomqtt.Message]]:
    """A queue class that turns unwanted messages away before anybody is woken."""

    class Inbox(asyncio.Queue[aiomqtt.Message]):
        def put_nowait(self, item: aiomqtt.Message) -> None:
            if not self.full() and wants(_received(item)):
                super().put_nowait(item)

    return Inbox


def _received(message: aiomqtt.Message) -> Received:
    payload = message.payload if isinstance(message.payload, bytes | bytearray) else b""
    return Received(message.topic.value, bytes(payload), bool(message.retain))


class _Packed(Properties):
    """The properties of nearly every message, packed once: the library packs them anew each time, at a third of the
    whole cost of a publish."""

    def __init__(self) -> None:
        properties = _properties(True, "", "", 0)
        assert properties is not None
        object.__setattr__(self, "_bytes", properties.pack())  # type: ignore[no-untyped-call]

    def pack(self) -> bytes:
        packed: bytes = object.__getattribute__(self, "_bytes")
        return packed


def _connect_properties() -> Properties:
    properties = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]
    properties.MaximumPacketSize = PACKET_BYTES
    return properties


def _properties(
    five: bool, reply_to: str, correlation: str, expiry_s: int, packet: int = PacketTypes.PUBLISH
) -> Properties | None:
    """MQTT 5 copies of what the envelope says; None on 3.1.1."""
    if not five:
        return None
    properties = Properties(packet)  # type: ignore[no-untyped-call]
    properties.ContentType = "application/json"
    properties.PayloadFormatIndicator = 1
    if reply_to:
        properties.ResponseTopic = reply_to
    if correlation:
        properties.CorrelationData = correlation.encode()
    if expiry_s:
        properties.MessageExpiryInterval = expiry_s
    return properties


@contextlib.contextmanager
def _mapped(settings: BrokerSettings) -> Iterator[None]:
    """Turn what the library raises into `LinkLost`, and give back a cancellation that it swallowed.

    Up to Python 3.11 `asyncio.wait_for`, which the library waits with, returns as if nothing were the matter when the
    answer and the cancellation come together; a stop would then be lost for good.
    """
    task = asyncio.current_task()
    before = task.cancelling() if task is not None else 0
    try:
        yield
    except aiomqtt.MqttError as error:
        raise LinkLost(*_words(settings, error)) from error
    except (OSError, ValueError) as error:  # ValueError: paho, on a message that MQTT cannot carry
        raise LinkLost(f"{settings.place}: {error}") from error
    if task is not None and task.cancelling() > before:
        raise asyncio.CancelledError


def _words(settings: BrokerSettings, error: aiomqtt.MqttError) -> tuple[str, int | None]:
    """One sentence, and the broker's reason code if there is one."""
    cause = error.__cause__ or error.__context__  # the library hides the socket's error behind 'from None'
    if isinstance(cause, ssl.SSLError):
        return f"{settings.place}: {tls_words(cause)}", None
    if isinstance(cause, ConnectionRefusedError):
        return f"{settings.place}: nobody listens there; start the broker, or correct mqtt.host and mqtt.port", None
    if isinstance(cause, socket.gaierror):
        return f"{settings.place}: the host name is not known; correct mqtt.host", None
    if isinstance(cause, TimeoutError) or "timed out" in str(error):
        return f"{settings.place}: no answer within {settings.answer_s:g} s", None
    if str(error) == EARLY:
        return f"{settings.place} {EARLY}", None
    for each in (error, cause):
        code = each.rc if isinstance(each, aiomqtt.MqttCodeError) else None
        value = code.value if isinstance(code, ReasonCode) else None
        refused = isinstance(each, MqttConnectError)
        if value in REFUSED and (refused or value != UNSPECIFIED):
            return f"{settings.place} {REFUSED[value]}", value
        if refused:
            return f"{settings.place} refuses the connection ({each})", value
    if isinstance(cause, OSError):
        hint = "; is this the broker's TLS port?" if settings.ca_file and isinstance(cause, ConnectionError) else ""
        return f"{settings.place}: {cause.strerror or cause}{hint}", None
    return f"{settings.place}: {ENDED}", None
