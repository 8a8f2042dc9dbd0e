"""Which lunar day and which site: figures of many stays, ranked. Begin with landing_days."""
