"""The commands, thin: one module for what each prints, and the parsers of their options.

main       START HERE: `dooryard COMMAND`
back, out, trials, unit, mute   options of the commands, and what they call; shared is what they share
check, explain, outbox, record, gate_report, teach, try_sinks   the commands' own work
"""
