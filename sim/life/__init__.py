"""What years do to a switch beside its disturbances: ageing losses, dimming, service, episodes."""
