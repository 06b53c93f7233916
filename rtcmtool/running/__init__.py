"""The loops of the live commands: a source feeding recorder, monitor and view.

Clocks, threads and signals live here. Bytes are recorded before anything looks at them; a view that
fails never stops a recording.
"""
