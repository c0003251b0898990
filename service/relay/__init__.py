"""The relay: sends events from the logs to the webhooks that want them. Many may run, one works."""
