"""The demo scenario, installed as obsplan.examples so that `obsplan start` can copy it."""
