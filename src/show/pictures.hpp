// The five pictures of a finding, as SVG.
#pragma once

#include <array>
#include <string>
#include <string_view>

#include "show/report.hpp"
#include "show/svg.hpp"

namespace pipebeat::show {

enum class Picture {
  beat_map,        ///< one row a cycle, one column a firing position, the level as shade
  cycle_dial,      ///< mean level and spread of each firing position round the cycle
  order_spectrum,  ///< cycle lines over the floor, against those the layout has when healthy
  speed_trace,     ///< crank speed over time
  level_strip,     ///< loudness over time, overload and stretches left out
};
inline constexpr std::array all_pictures{Picture::beat_map, Picture::cycle_dial,
                                         Picture::order_spectrum, Picture::speed_trace,
                                         Picture::level_strip};

/// Short name for file names and page elements: "beat-map", "cycle-dial", ...
[[nodiscard]] std::string_view name_of(Picture picture);

/// The picture as one SVG element that can stand in an HTML page or in a file of its own: titled,
/// described for screen readers, 400 units wide, a few hundred kilobytes at most whatever the
/// length of the recording. Empty when the finding holds nothing to draw (an unclear one may have
/// no speed, no events).
[[nodiscard]] std::string to_svg(Picture picture, const Report& report,
                                 Theme theme = Theme::automatic);

}  // namespace pipebeat::show
