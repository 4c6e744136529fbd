"""Bringing a farm's past: readings, batches with their ledgers, and orders, from CSV files.

Each import is all or nothing, says everything that is wrong with its line, and can be repeated: what is there
already stays as it is and is not doubled.
"""

from service.work.imports.batches import import_batches
from service.work.imports.orders import import_orders
from service.work.imports.outcome import Imported
from service.work.imports.readings import import_readings, settle_all

__all__ = ["Imported", "import_batches", "import_orders", "import_readings", "settle_all"]
