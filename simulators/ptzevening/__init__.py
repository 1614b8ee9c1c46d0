"""A show against simulated cameras: the real daemon on a virtual clock, packets and all, its moves timed.

It stands on both the daemon and the simulator, which otherwise never meet; neither imports it. `ptzd rehearse
--simulate` runs it as a process of its own, `python -m ptzevening`.
"""

from .evening import Evening, play
from .house import Actor, House, open_house
