"""What a person writes: rig, variant; frozen structs, read by `settings.load` only."""
