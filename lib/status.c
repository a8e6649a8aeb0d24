/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "status.h"

const char *sag_status_name(sag_status status)
{
    switch (status) {
#define SAG_STATUS_NAME(id, value, name, text)                                                     \
    case id:                                                                                       \
        return name;
        SAG_STATUS_LIST(SAG_STATUS_NAME)
#undef SAG_STATUS_NAME
    }
    return "unknown";
}

const char *sag_status_text(sag_status status)
{
    switch (status) {
#define SAG_STATUS_TEXT(id, value, name, text)                                                     \
    case id:                                                                                       \
        return text;
        SAG_STATUS_LIST(SAG_STATUS_TEXT)
#undef SAG_STATUS_TEXT
    }
    return "unknown status";
}
