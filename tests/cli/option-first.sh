# SPDX-License-Identifier: GPL-3.0-or-later
railsag --supply 9V levels heron.json
