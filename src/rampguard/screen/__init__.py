"""The terminal screen: a viewer of the engine's process. Nothing here decides; what is done is asked of the engine."""
