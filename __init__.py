# SPDX-License-Identifier: GPL-3.0-or-later
"""The extension's entry: nothing is imported before Blender registers it, so that the core's tests need no Blender."""


def register() -> None:
    from . import addon

    addon.register()


def unregister() -> None:
    from . import addon

    addon.unregister()
