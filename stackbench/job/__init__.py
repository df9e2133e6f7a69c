"""The whole job as steps: settings, store, progress, cancel, resume."""
