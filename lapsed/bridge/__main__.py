"""The bridge's process by itself; `lapsed bridge` becomes it, so that nothing is loaded that it has no need of."""

import asyncio
import logging
import sys

from lapsed.bridge.options import parsed
from lapsed.bridge.process import serve
from lapsed.errors import UserError


def main() -> int:
    """Run with the options in the one argument; 2 where they can't be followed."""
    options = parsed(sys.argv[1])
    level = logging.DEBUG if options.verbose else logging.INFO
    logging.basicConfig(stream=sys.stderr, level=level, format="%(asctime)s %(levelname)s %(name)s: %(message)s")
    try:
        asyncio.run(serve(options))
    except UserError as error:
        sys.stderr.write(f"lapsed: {error}\n")
        return 2
    return 0


if __name__ == "__main__":
    sys.exit(main())
