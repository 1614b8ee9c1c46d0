"""MQTT: every command in one table, what the daemon says, and the connection to a broker."""

from .asked import Asked
from .asyncapi import asyncapi
from .bus import Bus, Incoming, Reply
from .client import BrokerSettings, MqttBus
from .holding import HeldElsewhere, Holding
from .intake import Intake
from .memory import MemoryBroker, MemoryBus, Said
from .messages import StatusMessage
from .outcomes import Answer, Outcomes, Repeat
from .tables import tables
from .topics import CommandTopic, ReportTopic, Topics
