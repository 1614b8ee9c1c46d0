"""The operator's page: HTTP and WebSocket. It knows no command and no report: it passes on what they are made of.

`server.py` is to be imported where the page is served alone: a start without one need not wait for its library.
"""

from .access import Access, Guest
from .hub import Hub
