#include "show/microphone.hpp"

#include <fmt/format.h>

namespace pipebeat::show {

std::string advice(const core::MicrophoneRemark& remark) {
  using core::MicrophoneFault;
  switch (remark.fault) {
    case MicrophoneFault::silent:
      return "no sound at all: the microphone is muted, or choose another with --device";
    case MicrophoneFault::clipping:
      return fmt::format("too loud, {:.1f} % is cut off: move back to an arm's length, or lower the "
                         "input level",
                         100.0 * remark.value);
    case MicrophoneFault::too_quiet:
      return fmt::format("too quiet ({:.0f} dB): come within an arm's length, or raise the input level",
                         remark.value);
    case MicrophoneFault::wind:
      return "wind: use a windscreen (a clean sock will do) and let the vehicle shelter the "
             "microphone";
    case MicrophoneFault::low_frequencies_missing:
      return "the lows are missing: turn off voice enhancement and low-cut, or use another "
             "microphone";
    case MicrophoneFault::gain_pumping:
      return fmt::format("the level swings by {:.0f} dB: if the engine runs steadily, turn off voice "
                         "enhancement and automatic gain",
                         remark.value);
    case MicrophoneFault::mains_hum:
      return fmt::format("mains hum ({:.0f} Hz): run the computer from its battery, move away from "
                         "chargers and lamps",
                         remark.value);
  }
  return {};
}

}  // namespace pipebeat::show
