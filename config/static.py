"""Static files as they are served: every name carries its hash, also where one of our modules imports another."""

from whitenoise.storage import CompressedManifestStaticFilesStorage

OUR_MODULES = "js/*.js"  # packages of others ship scripts whose comments look like imports


class HashedFiles(CompressedManifestStaticFilesStorage):  # type: ignore[misc]
    """The rule for imports is Django's; only which files it is for is ours."""

    _files, _rules = CompressedManifestStaticFilesStorage._js_module_import_aggregation_patterns
    patterns = (*CompressedManifestStaticFilesStorage.patterns, (OUR_MODULES, _rules))
