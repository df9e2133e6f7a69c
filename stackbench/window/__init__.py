"""The Qt window: views that read models and emit intents, one controller that owns the job."""
