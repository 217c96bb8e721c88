"""One module a command: `configure(parser)` adds its options, `run(args)` does the work and gives the exit status."""
