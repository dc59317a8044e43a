// A long take, faster than real time: a recording played round and round into the queue, through
// the writing and the judging thread, to the disk. Counts what is lost and watches the memory.
//
// Usage: soak RECORDING MINUTES. Exit status 0 when no frame was lost or changed and the memory
// stayed flat after the first three minutes.
#include <fmt/format.h>
#include <sys/stat.h>
#include <sys/resource.h>
#include <unistd.h>

#include <array>
#include <chrono>
#include <cstdio>
#include <cstdlib>
#include <string>
#include <thread>
#include <vector>

#include "audio/reader.hpp"
#include "audio/take_writer.hpp"
#include "cli/live_ear.hpp"
#include "pipebeat/engine.hpp"

using namespace pipebeat;

namespace {

constexpr double flat_after_s = 180.0;  // the listener's buffers have their length by then
#ifdef PIPEBEAT_SANITIZED
constexpr double allowed_growth_mib = 1e6;  // what was given back is kept, to catch its late use
#else
constexpr double allowed_growth_mib = 16.0;  // what waits for its judgement is 5 MiB more or less
#endif

/// The most memory so far. What is in use at one moment depends on what is being judged then.
double peak_mib() {
  rusage used{};
  ::getrusage(RUSAGE_SELF, &used);
  return static_cast<double>(used.ru_maxrss) / 1024.0;
}

/// Every sample of a file against the recording it was made from.
std::int64_t first_difference(const std::string& take, const std::vector<float>& sound) {
  auto reader = audio::AudioReader::open(take);
  if (!reader) return 0;
  std::vector<float> block(1 << 16);
  for (std::int64_t at = 0;;) {
    const auto count = reader->read(block).value();
    if (count == 0) return -1;
    for (std::int64_t i = 0; i < count; ++i, ++at) {
      const float wanted = sound[static_cast<std::size_t>(at) % sound.size()];
      if (block[static_cast<std::size_t>(i)] != wanted) return at;
    }
  }
}

}  // namespace

int main(int argc, char** argv) {
  if (argc != 3) {
    fmt::print(stderr, "usage: soak RECORDING MINUTES\n");
    return 2;
  }
  auto reader = audio::AudioReader::open(argv[1]);
  const double seconds = 60.0 * std::atof(argv[2]);
  if (!reader || reader->channels() != 1 || !(seconds > 0.0)) {
    fmt::print(stderr, "soak: wants a mono recording and a number of minutes\n");
    return 2;
  }
  const Hertz rate = reader->sample_rate();
  std::vector<float> sound(static_cast<std::size_t>(reader->frames().value_or(FrameCount{0}).value()));
  reader->read(sound);

  EngineSpec four;
  four.cylinders = 4;
  const auto engine = Engine::make(four);
  auto listener = Listener::create(*engine, rate);
  std::string folder = "/tmp/pipebeat-soak-XXXXXX";
  if (const char* temporary = std::getenv("TMPDIR")) folder = std::string{temporary} + "/pipebeat-soak-XXXXXX";
  if (::mkdtemp(folder.data()) == nullptr) return 2;
  const std::string take = folder + "/take.wav";
  auto writer = audio::TakeWriter::create(take, rate);
  if (!engine || !listener || !writer) return 2;

  using Clock = std::chrono::steady_clock;
  const auto begin = Clock::now();
  cli::LiveEar ear{std::move(*listener), std::move(*writer), rate, std::nullopt};
  const auto frames = static_cast<std::int64_t>(seconds * rate.value());
  constexpr std::size_t block = 480;
  const auto most_behind = static_cast<std::int64_t>(30.0 * rate.value());
  double early_mib = 0.0;
  std::int64_t pushed = 0;
  int marks = 0;
  while (pushed < frames) {
    if (ear.queue().room() < block || ear.backlog() > most_behind) {
      std::this_thread::sleep_for(std::chrono::milliseconds{1});
      continue;
    }
    const auto from = static_cast<std::size_t>(pushed) % sound.size();
    const std::size_t count = std::min({block, sound.size() - from, static_cast<std::size_t>(frames - pushed)});
    ear.queue().push(std::span{sound}.subspan(from, count));
    pushed += static_cast<std::int64_t>(count);
    const double now = static_cast<double>(pushed) / rate.value();
    if (early_mib == 0.0 && now >= flat_after_s) early_mib = peak_mib();
    if (now >= 60.0 * (marks + 1)) {
      ear.mark(fmt::format("minute {}", ++marks));
    }
    // As a live view asks.
    if (pushed % 10 == 0) static_cast<void>(ear.loudness());
    if (pushed % 1000 == 0) static_cast<void>(ear.later_than(0));
  }
  const double late_mib = peak_mib();
  const auto closed = ear.finish();
  const double took = std::chrono::duration<double>(Clock::now() - begin).count();

  const auto written = static_cast<std::int64_t>(std::llround(ear.written().value() * rate.value()));
  const std::int64_t different = first_difference(take, sound);
  const double growth = early_mib > 0.0 ? late_mib - early_mib : 0.0;
  fmt::print("{:.0f} s of sound in {:.1f} s: {} frames pushed, {} written, {} dropped, {} not judged; "
             "{} judgements\n",
             seconds, took, pushed, written, ear.queue().dropped(), ear.not_judged(), ear.last().number);
  fmt::print("memory at most {:.1f} MiB in the first {:.0f} s of sound, {:.1f} MiB in all\n", early_mib, flat_after_s, late_mib);
  fmt::print("the take {}; {} marks in it\n",
             different < 0 ? "holds every sample unchanged" : fmt::format("differs at frame {}", different),
             ear.marks().size());
  ::unlink(take.c_str());
  ::rmdir(folder.c_str());
  const bool good = closed && written == frames && pushed == frames && ear.queue().dropped() == 0 &&
                    ear.not_judged() == 0 && different < 0 && growth < allowed_growth_mib;
  if (!good) fmt::print("soak: FAILED\n");
  return good ? 0 : 1;
}
