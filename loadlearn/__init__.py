"""loadlearn: learn what a vehicle is hauling from how it drives."""
