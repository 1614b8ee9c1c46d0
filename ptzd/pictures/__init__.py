"""What cameras see: pictures fetched over HTTP, and what two of them tell of a camera that should stand as it stood."""

from .address import PictureAddress, checked_url
from .fetching import Picture, Pictures
from .memory import MemoryPictures
from .similarity import Similarity
from .still import LARGEST_STILL_BYTES, opened, still_of
