"""A running drive: source, ring, live stage and recorder put together, each on its own thread."""
