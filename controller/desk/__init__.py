"""The plan desk: what a plan will ask of a chamber and of people, before any water moves."""
