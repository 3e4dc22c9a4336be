"""For whole processes of the shop: a real PostgreSQL, and a shop's folder that uses it."""

from shop_rig import postgres, shop_config, shop_folder

__all__ = ["postgres", "shop_config", "shop_folder"]
