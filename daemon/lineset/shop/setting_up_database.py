"""The database at set-up: its tables made at once, so that the first run finds everything there."""

from __future__ import annotations

from lineset.shop.child import Child
from lineset.shop.database_server import server_plan
from lineset.shop.errors import DatabaseError, NewerSchemaError
from lineset.shop.part_state import running
from lineset.shop.setting_up import ROLES_FILE, Outcome
from lineset.shop.shop_config import ShopConfig
from lineset.shop.supervise import prepare


async def set_up_database(config: ShopConfig, outcome: Outcome) -> list[str]:
    """Bring the tables up to date; names of the migrations that were applied.

    An embedded server runs for as long as that takes, unless the shop runs already. A PostgreSQL of the shop's own that
    does not let us in yet is something left to do, told in `outcome`. Raises ShopError and its kinds.
    """
    if config.database_settings.embedded:
        if any(part.kind == "database" for each in running(config.folder).values() for part in each.parts):
            return await prepare(config)
        server = Child(server_plan(config.folder / "database", config.database_settings.port))
        await server.start()
        try:
            return await prepare(config)
        finally:
            await server.stop()
    try:
        return await prepare(config)
    except NewerSchemaError:
        raise
    except DatabaseError as error:
        outcome.to_do.append(
            f"as the administrator of your PostgreSQL: psql -f {config.folder / ROLES_FILE} postgres; then this again "
            f"({error})"
        )
        return []
