"""The commands: one file each, called as the command is. A new file is found without a line elsewhere."""
