"""A forwarder in a process of its own, to be killed: mqtt_child.py FOLDER PORT."""

import asyncio
import sys
from pathlib import Path
from types import SimpleNamespace
from typing import Any, cast

from mqtt_world import World


async def main(folder: Path, port: int) -> None:
    broker: Any = SimpleNamespace(port=port, ca_file=None)
    async with World(folder, cast(Any, broker)).running():
        await asyncio.sleep(60)


asyncio.run(main(Path(sys.argv[1]), int(sys.argv[2])))
