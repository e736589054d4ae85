"""The commands as typed: options, messages, exit codes."""
