"""The command line: each command reads its options, asks the job, and prints what came of it."""
