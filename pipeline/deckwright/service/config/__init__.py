"""Jobs of a workspace, read and checked in processes of their own."""
