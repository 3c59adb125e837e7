"""Reference pages written from the code: every entity, every blueprint's inputs."""
