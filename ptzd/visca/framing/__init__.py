"""How messages travel: what stands between the conversation's packets and the bytes of a link."""

from .bare import Bare
from .framing import PacketFraming, Unreadable
from .over_ip import OverIp
