// A finding as one self-contained HTML page: words, figures and pictures, to keep, print or send.
#pragma once

#include <string>

#include "show/report.hpp"
#include "show/words.hpp"

namespace pipebeat::show {

/// A whole document without scripts, links or anything fetched from elsewhere (its content security
/// policy forbids all of them). `place`: where what it advises can be done.
[[nodiscard]] std::string to_html(const Report& report, Place place = Place::terminal);

}  // namespace pipebeat::show
