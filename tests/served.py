"""The dashboard, served for a test on a free port of this machine."""

from __future__ import annotations

import threading
import time
from contextlib import contextmanager

import uvicorn

from dashboard.app import make_app
from dashboard.serving import listen


@contextmanager
def served(folder, **given):
    """The address of a dashboard on a folder, as ``http://127.0.0.1:port``."""
    listening = listen(0)
    app = make_app(folder, **given)
    server = uvicorn.Server(uvicorn.Config(app.server, log_level="warning", lifespan="on"))
    thread = threading.Thread(target=server.run, kwargs={"sockets": [listening]})
    thread.start()
    try:
        deadline = time.monotonic() + 20
        while not server.started:
            if time.monotonic() > deadline:
                raise TimeoutError("the dashboard did not start")
            time.sleep(0.02)
        yield f"http://127.0.0.1:{listening.getsockname()[1]}"
    finally:
        server.should_exit = True
        thread.join(20)
        listening.close()
