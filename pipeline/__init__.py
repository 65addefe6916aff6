"""Exports of many shops in; a warehouse, tables and pages out."""

import os

#: Memory that polars has freed stays at hand until the system wants it back (MADV_FREE): where one file is read after
#: the other, giving it back and taking it anew was a tenth of the processor time. polars reads this when it is loaded.
KEEPS_MEMORY = "dirty_decay_ms:500,muzzy_decay_ms:-1"
os.environ.setdefault("_RJEM_MALLOC_CONF", KEEPS_MEMORY)
