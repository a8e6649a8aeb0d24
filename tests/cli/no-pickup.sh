# SPDX-License-Identifier: GPL-3.0-or-later
cp "$DATA/low-pass.json" .
railsag response low-pass.json --drive pickup
