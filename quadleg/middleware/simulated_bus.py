"""A graph without a network: what DDS lets happen between publishers and subscriptions, drawn by a seed.

Within OMG, Data Distribution Service 1.4, section 2.2.3, and RTPS 2.5, section 8.4: an endpoint is matched with another
some time after both are there, and each side learns of it at its own time; a pair is matched where the publisher
offers what the subscription requests; a reliable pair keeps its order and loses only what its histories (KEEP_LAST)
overwrite; a best-effort pair may lose a message, and never goes back; a transient-local publisher gives its history to
a subscription that comes later. No message comes twice, since its reader knows its number. A participant that dies
without a word stays known until its lease ends.
"""

from __future__ import annotations

import random
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any, Protocol

from rclpy.qos import DurabilityPolicy, QoSProfile, ReliabilityPolicy

from quadleg.middleware.simulated_time import SimulatedTime


@dataclass(frozen=True)
class NetworkConditions:
    """How a computer's own network delivers. Times in s; pairs are the least and the most of what is drawn.

    `late` of all messages take `late_delay`: a reliable one that is sent again, or a busy receiver. `lost` of the
    best-effort ones never come. `slow_discovery` of all pairs take `late_discovery` to find each other. The times are
    those of docs and of the campaign with real processes.
    """

    delay: tuple[float, float] = (1e-4, 8e-4)
    late: float = 3e-4
    late_delay: tuple[float, float] = (0.005, 0.1)
    lost: float = 1e-3
    discovery: tuple[float, float] = (0.02, 0.3)
    slow_discovery: float = 0.05
    late_discovery: tuple[float, float] = (0.3, 3.0)
    lease: tuple[float, float] = (1.0, 3.0)


@dataclass(frozen=True)
class SentMessage:
    """A message, which is not changed any more, with its publisher's number for it."""

    content: Any
    number: int


@dataclass(eq=False)
class BusPublisher:
    """A publisher as the graph knows it; `heard_by` are the subscriptions that it is matched with. `frozen_until` gives
    until when (s) its process stands still."""

    node_name: str
    topic: str
    topic_type: str
    qos_profile: QoSProfile
    gid: bytes
    history: deque[SentMessage] = field(default_factory=deque)
    heard_by: dict[BusSubscription, _Pair] = field(default_factory=dict)
    frozen_until: Callable[[], float] = lambda: 0.0
    sent: int = 0
    gone: bool = False  # a dead one may still be known


@dataclass(eq=False)
class BusSubscription:
    """A subscription as the graph knows it. `take` gets each message with its publisher."""

    node_name: str
    topic: str
    topic_type: str
    qos_profile: QoSProfile
    take: Callable[[SentMessage, BusPublisher], None]
    frozen_until: Callable[[], float] = lambda: 0.0
    gone: bool = False


@dataclass
class _Pair:
    """One publisher and one subscription that have found each other."""

    random: random.Random
    arrives: float = 0.0  # s, when the last message that was sent to it arrives
    number: int = 0  # of the last message that arrived


class BusService(Protocol):
    """A service of some node, by its full name."""

    name: str


class BusClient(Protocol):
    """A client of a service, by its full name."""

    full_name: str

    def find(self, service: Any) -> None:
        """A node offers the service."""

    def lose(self, service: Any) -> None:
        """It is offered no more."""


class SimulatedBus:
    """Topics and services of one graph; `seed` decides every delay and loss.

    `observers` are called with each message as it is published: its publisher and the message. `heard_observers` are
    called with each as a node takes it: its subscription, publisher and the message. `service_observers` are called
    with a service's full name, a request as it is sent and None, and once more with its response as it is given.
    """

    def __init__(self, time: SimulatedTime, seed: int = 0, conditions: NetworkConditions | None = None) -> None:
        self.time = time
        self.conditions = conditions or NetworkConditions()
        self.observers: list[Callable[[BusPublisher, Any], None]] = []
        self.heard_observers: list[Callable[[BusSubscription, BusPublisher, Any], None]] = []
        self.service_observers: list[Callable[[str, Any, Any], None]] = []
        self.publishers: list[BusPublisher] = []
        self.subscriptions: list[BusSubscription] = []
        self._services: list[BusService] = []
        self._clients: list[BusClient] = []
        self._seed = seed
        self._made = 0

    def random_for(self, name: str) -> random.Random:
        """Return the source of randomness of one thing, which no other thing draws from."""
        self._made += 1
        return random.Random(f"{self._seed} {name} {self._made}")

    def drawn_delay(self, chance: random.Random) -> float:
        """Draw how long a message takes (s)."""
        c = self.conditions
        return chance.uniform(*(c.late_delay if chance.random() < c.late else c.delay))

    def drawn_discovery(self, chance: random.Random) -> float:
        """Draw how long two endpoints take to find each other (s)."""
        c = self.conditions
        return chance.uniform(*(c.late_discovery if chance.random() < c.slow_discovery else c.discovery))

    # Endpoints

    def add_publisher(self, publisher: BusPublisher) -> None:
        """Let it be found."""
        self.publishers.append(publisher)
        for subscription in self.subscriptions:
            self._match_soon(publisher, subscription)

    def add_subscription(self, subscription: BusSubscription) -> None:
        """Let it be found."""
        self.subscriptions.append(subscription)
        for publisher in self.publishers:
            self._match_soon(publisher, subscription)

    def remove_publisher(self, publisher: BusPublisher, orderly: bool) -> None:
        """It is gone: known at once of one that took its leave, after a lease of one that died."""
        if publisher.gone:
            return
        publisher.gone = True
        chance = self.random_for(f"lease {publisher.node_name}")
        lease = 0.0 if orderly else chance.uniform(*self.conditions.lease)
        self.time.after(lease, lambda: self.publishers.remove(publisher))

    def remove_subscription(self, subscription: BusSubscription) -> None:
        """It hears nothing any more."""
        if subscription.gone:
            return
        subscription.gone = True
        self.subscriptions.remove(subscription)
        for publisher in self.publishers:
            publisher.heard_by.pop(subscription, None)

    def found(self, topic: str) -> list[BusPublisher]:
        """Return the publishers of a topic, the dead ones too until they are forgotten."""
        return [publisher for publisher in self.publishers if publisher.topic == topic]

    def subscriptions_to(self, topic: str) -> list[BusSubscription]:
        """Return the subscriptions to a topic."""
        return [subscription for subscription in self.subscriptions if subscription.topic == topic]

    def _match_soon(self, publisher: BusPublisher, subscription: BusSubscription) -> None:
        if publisher.topic != subscription.topic or not _compatible(publisher, subscription):
            return
        chance = self.random_for(f"{publisher.node_name} {publisher.topic} {subscription.node_name}")

        def match() -> None:
            if publisher.gone or subscription.gone:
                return
            awake = max(publisher.frozen_until(), subscription.frozen_until())
            if awake > self.time.steady:  # a frozen process finds no publisher
                self.time.at(awake + self.drawn_discovery(chance), match)
                return
            pair = publisher.heard_by[subscription] = _Pair(chance, number=publisher.sent)
            if subscription.qos_profile.durability == DurabilityPolicy.TRANSIENT_LOCAL:
                for message in publisher.history:
                    pair.number = min(pair.number, message.number - 1)
                    self._send(publisher, subscription, pair, message)

        self.time.after(self.drawn_discovery(chance), match)

    def add_service(self, service: BusService) -> None:
        """Let clients find it."""
        self._services.append(service)
        for client in self._clients:
            if client.full_name == service.name:
                client.find(service)

    def add_client(self, client: BusClient) -> None:
        """Let it find services."""
        self._clients.append(client)
        for service in self._services:
            if client.full_name == service.name:
                client.find(service)

    def remove_service(self, service: BusService) -> None:
        """It is offered no more."""
        if service in self._services:
            self._services.remove(service)
            for client in self._clients:
                client.lose(service)

    def observe_service(self, name: str, request: Any, response: Any = None) -> None:
        """Tell observers of a request, or of the response to one."""
        for observer in self.service_observers:
            observer(name, request, response)

    # Messages

    def publish(self, publisher: BusPublisher, content: Any) -> None:
        """Send a message, which must not be changed any more, to each subscription that is matched."""
        if publisher.gone:
            return
        for observer in self.observers:
            observer(publisher, content)
        publisher.sent += 1
        message = SentMessage(content, publisher.sent)
        if publisher.history.maxlen:
            publisher.history.append(message)
        for subscription, pair in publisher.heard_by.items():
            self._send(publisher, subscription, pair, message)

    def _send(self, publisher: BusPublisher, subscription: BusSubscription, pair: _Pair, message: SentMessage) -> None:
        reliable = subscription.qos_profile.reliability == ReliabilityPolicy.RELIABLE
        if not reliable and pair.random.random() < self.conditions.lost:
            return
        arrives = self.time.steady + self.drawn_delay(pair.random)
        if reliable:
            arrives = max(arrives, pair.arrives)  # what was sent before comes before
            pair.arrives = arrives

        def arrive() -> None:
            overtaken = message.number <= pair.number
            # Of a publisher's history, what was overwritten before it could be sent again is lost.
            overwritten = reliable and publisher.sent - message.number >= (publisher.qos_profile.depth or 1) and late
            if subscription.gone or overtaken or overwritten:
                return
            pair.number = message.number
            subscription.take(message, publisher)

        late = arrives - self.time.steady > self.conditions.delay[1]
        self.time.at(arrives, arrive)


def _compatible(publisher: BusPublisher, subscription: BusSubscription) -> bool:
    """Whether the publisher offers what the subscription requests: DDS 1.4, table of RxO policies."""
    offered, requested = publisher.qos_profile, subscription.qos_profile
    if publisher.topic_type != subscription.topic_type:
        return False
    if requested.reliability == ReliabilityPolicy.RELIABLE and offered.reliability != ReliabilityPolicy.RELIABLE:
        return False
    return not (
        requested.durability == DurabilityPolicy.TRANSIENT_LOCAL
        and offered.durability != DurabilityPolicy.TRANSIENT_LOCAL
    )
