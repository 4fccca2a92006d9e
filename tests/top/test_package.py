"""What is installed beside the lock."""

from importlib.metadata import version

from kit.package import _direct_names, _locked_versions, compare_environment


def test_every_package_the_kit_asks_for_is_locked():
    missing = _direct_names() - _locked_versions().keys()
    assert _direct_names() and not missing


def test_installed_versions_are_the_package_manager_s():
    packages = {p.name: p for p in compare_environment()}
    assert packages["numpy"].installed == version("numpy")
    assert packages["numpy"].direct and packages["ruamel-yaml"].locked


def test_the_lock_names_no_place():
    for name, locked in _locked_versions().items():
        assert "/" not in name and "/" not in locked and "@" not in locked
