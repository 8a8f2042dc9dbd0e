"""The folder inputs."""
