"""How large a request may be, looked at before its files are read: Django limits what is typed, not what is uploaded."""

from django.conf import settings
from django.core.exceptions import RequestDataTooBig
from django.core.files.uploadhandler import FileUploadHandler

CHUNK_BYTES = 64 * 1024
# So much of a request that is too large is still taken off the line, unread, so that its sender hears the answer: a browser
# whose line is cut while it sends shows no page. Who sends more gets cut off.
MOST_DRAINED_BYTES = 60_000_000


class WholeRequest(FileUploadHandler):
    """Refuses a request with files by the length it names; takes no file itself."""

    def handle_raw_input(self, input_data, META, content_length, boundary, encoding=None) -> None:  # noqa: N803
        if content_length <= settings.REQUEST_MAX_BYTES:
            return
        if content_length <= MOST_DRAINED_BYTES:
            while input_data.read(CHUNK_BYTES):
                pass
        raise RequestDataTooBig("The request is larger than any file that is taken.")

    def receive_data_chunk(self, raw_data: bytes, start: int) -> bytes:
        return raw_data

    def file_complete(self, file_size: int) -> None:
        return None
