// pipebeat devices: what can record, and which one listen would use.
#include <fmt/format.h>

#include <unistd.h>

#include <cmath>

#include "audio/capture.hpp"
#include "cli/command.hpp"
#include "show/paragraphs.hpp"
#include "show/words.hpp"

namespace pipebeat::cli {

namespace {

ExitStatus devices() {
  const auto found = audio::input_devices();
  if (!found) {
    complain(found.error());
    return ExitStatus::trouble;
  }
  if (found->all.empty()) {
    complain({ErrorCode::not_found, "there is no device to record from",
              "plug in a microphone, or record with a phone and use `pipebeat check`"});
    return ExitStatus::trouble;
  }
  // A name has room beside the figures, or below them.
  constexpr int of_figures_and_name = 72;
  const int width = columns(STDOUT_FILENO);
  const char* between = width < of_figures_and_name ? "\n      " : "  ";
  fmt::print("  no  channels  rate Hz  latency ms{}device (sound system)\n", between);
  for (const audio::InputDevice& d : found->all) {
    fmt::print("{} {:2}  {:8}  {:7.0f}  {:10.0f}{}{} ({})\n", d.number == found->preferred ? '>' : ' ',
               d.number, d.channels, d.default_rate.value(), 1000.0 * d.latency.value(), between,
               show::one_line(d.name), d.host_api);
  }
  fmt::print("\n{}{}", show::wrapped("", fmt::format("> is used by `pipebeat listen`: {}.", found->why), width),
             show::wrapped("", "Another: pipebeat listen --device NO, or a part of its name.", width));
  return ExitStatus::no_miss;
}

}  // namespace

void add_devices(CLI::App& program, Action& chosen) {
  CLI::App* command = program.add_subcommand(
      "devices", "List the microphones, and say which one listen would use");
  command->footer("Exit status: 0 listed, 2 there is none.\nExample: pipebeat devices");
  command->callback([&chosen] { chosen = [] { return devices(); }; });
}

}  // namespace pipebeat::cli
