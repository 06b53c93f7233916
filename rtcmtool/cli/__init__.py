"""The command line: arguments in, exit codes out, a module a command.

Only this room prints. It wires sources, decoders, rules and views together and holds no logic of
its own.
"""
