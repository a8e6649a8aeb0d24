# SPDX-License-Identifier: GPL-3.0-or-later
echo "{\"format\": \"railsag design 1\"," >broken.json; railsag levels broken.json --json out.json; status=$?; ls; exit $status
