# SPDX-License-Identifier: GPL-3.0-or-later
cp "$DATA/many-errors.json" .; railsag check many-errors.json
