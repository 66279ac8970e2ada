"""The HTTP and WebSocket interface of the daemon: who may, what may come in, what goes out."""
