"""The plan's work without Blender: sections, records, jobs, and what is shown of them. Never imports bpy."""
