"""One file a command: parse, call, print. The only place that prints and exits."""
