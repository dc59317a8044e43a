// pipebeat job gap: a bare spark gap in kV.
#include <fmt/format.h>

#include <algorithm>
#include <charconv>
#include <memory>
#include <string>

#include "cli/job_commands.hpp"
#include "pipebeat/bench.hpp"
#include "show/paragraphs.hpp"

namespace pipebeat::cli {

namespace {

struct GapOptions {
  std::string gap;
  double pressure_kpa = 101.325;
  double temperature_c = 20.0;
  bool points = false;
};

/// "8mm" or "0.3in". Errors: bad_argument.
Result<Millimetres> gap_of(const std::string& text) {
  constexpr double inch_mm = 25.4;
  constexpr double widest_mm = 200.0;
  double value = 0.0;
  const char* end = text.data() + text.size();
  const auto got = std::from_chars(text.data(), end, value);
  const char* unit_from = std::find_if(got.ptr, end, [](char c) { return c != ' '; });
  const std::string unit{unit_from, end};
  const double mm = unit == "in" ? value * inch_mm : value;
  const bool known = unit == "mm" || unit == "in";
  if (got.ec != std::errc{} || !known || !(mm > 0.0 && mm <= widest_mm)) {
    return fail(ErrorCode::bad_argument, fmt::format("{}: not a gap up to {:g} mm", text, widest_mm),
                "write it like 8mm or 0.3in");
  }
  return Millimetres{mm};
}

ExitStatus gap(const GapOptions& options) {
  const auto width = gap_of(options.gap);
  if (!width) {
    complain(width.error());
    return ExitStatus::trouble;
  }
  if (!(options.pressure_kpa >= 30.0 && options.pressure_kpa <= 120.0) ||
      !(options.temperature_c >= -60.0 && options.temperature_c <= 80.0)) {
    complain({ErrorCode::bad_argument, "no open air has such a pressure or temperature",
              "give --pressure 30 to 120 (kPa) and --temperature -60 to 80 (degrees C)"});
    return ExitStatus::trouble;
  }
  if (options.points) {
    const auto range = breakdown_between_points(*width);
    if (!range) {
      complain({ErrorCode::bad_argument, "between points only 5 to 60 mm are known",
                "leave --points out for narrower gaps"});
      return ExitStatus::trouble;
    }
    fmt::print("{}", show::wrapped("", fmt::format("{:.3g} mm between points: about {:.0f} to {:.0f} kV. Points break down "
                                                   "far lower than balls, and the range is wide: shape, polarity and moist "
                                                   "air move it.", width->value(), range->low, range->high),
                                   columns(STDOUT_FILENO)));
  } else {
    const Kilovolts kv = breakdown_between_balls(*width, Kilopascals{options.pressure_kpa},
                                                 Celsius{options.temperature_c});
    fmt::print("{}", show::wrapped("", fmt::format("{:.3g} mm between ball ends: {:.1f} kV (Paschen's law, {:.4g} kPa, "
                                                   "{:.3g} C).", width->value(), kv.value(), options.pressure_kpa,
                                                   options.temperature_c), columns(STDOUT_FILENO)));
  }
  fmt::print("{}", show::wrapped("", "Caution: ignition voltage injures, and can kill people with a heart pacemaker. The gap "
                                     "is clamped to earth, never held; no fuel vapour near; the maker's procedure and local "
                                     "codes come first.", columns(STDOUT_FILENO)));
  return ExitStatus::no_miss;
}

}  // namespace

void add_job_gap(CLI::App& job, Action& chosen) {
  const auto options = std::make_shared<GapOptions>();
  CLI::App* command = job.add_subcommand("gap", "What a bare spark gap is worth in kV");
  command->add_option("GAP", options->gap, "Its width, e.g. 8mm or 0.3in")->type_name("")->required();
  command->add_flag("--points", options->points, "Between points instead of ball ends");
  command->add_option("--pressure", options->pressure_kpa, "Of the air, kPa; default 101.325")
      ->type_name("KPA");
  command->add_option("--temperature", options->temperature_c, "Of the air, degrees C; default 20")
      ->type_name("C");
  command->footer("Exit status: 0 answered, 2 trouble.\nExample: pipebeat job gap 8mm");
  command->callback([&chosen, options] { chosen = [options] { return gap(*options); }; });
}

}  // namespace pipebeat::cli
