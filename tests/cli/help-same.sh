# SPDX-License-Identifier: GPL-3.0-or-later
railsag help >a && railsag --help >b && railsag help help >c && cmp a b && cmp a c
railsag help levels >d && railsag levels --help >e && railsag levels -h >f && cmp d e && cmp d f
