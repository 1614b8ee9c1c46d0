"""The operator's page: HTTP and WebSocket. It knows no command and no report: it passes on what they are made of."""

from .access import Access, Guest
from .hub import Hub
from .server import Asker, PageError, Pictures, serve_page
