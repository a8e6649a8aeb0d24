# SPDX-License-Identifier: GPL-3.0-or-later
for command in check bias response levels headroom models; do railsag $command --help | head -n 1; done
