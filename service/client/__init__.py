"""A Python client for integrators: typed FHIR by `fhir.resources`, plain messages as dicts, over `httpx`.

It imports nothing else of this project, so that its folder can be copied into another. This package itself loads nothing:
begin with `from service.client.relay import RelayClient`.
"""
