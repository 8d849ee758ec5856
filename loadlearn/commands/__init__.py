"""The commands, one file each; ``common`` holds what they share, ``loadlearn.cli`` assembles."""
