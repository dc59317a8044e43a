// pipebeat clicks: does each injector click, once a cycle, as strongly as its neighbours.
#include "pipebeat/clicks.hpp"

#include <fmt/format.h>
#include <unistd.h>

#include <algorithm>
#include <memory>
#include <string>
#include <vector>

#include "audio/reader.hpp"
#include "cli/command.hpp"
#include "cli/engine_options.hpp"
#include "cli/job_note.hpp"
#include "cli/marks.hpp"
#include "show/clicks.hpp"

namespace pipebeat::cli {

namespace {

constexpr double longest_s = 120.0;  // more tells nothing new, and memory stays bounded

struct ClicksOptions {
  std::vector<std::string> recordings;
  EngineOptions engine;
  bool json = false;
};

/// The loudest channel of a recording, its first two minutes.
Result<ClickTrack> track_of(const std::string& path, Hertz cycle_guess) {
  auto reader = audio::AudioReader::open(path);
  if (!reader) return tl::unexpected(reader.error());
  const auto channels = static_cast<std::size_t>(reader->channels());
  const double rate = reader->sample_rate().value();
  const auto most = static_cast<std::size_t>(longest_s * rate);
  std::vector<float> block(4096 * channels);
  std::vector<std::vector<float>> samples(std::min<std::size_t>(channels, 8));
  std::vector<double> power(samples.size(), 0.0);
  while (samples[0].size() < most) {
    const auto got = static_cast<std::size_t>(reader->read(block).value());
    if (got == 0) break;
    for (std::size_t c = 0; c < samples.size(); ++c) {
      for (std::size_t i = 0; i < got; ++i) {
        const float v = block[i * channels + c];
        samples[c].push_back(v);
        power[c] += static_cast<double>(v) * v;
      }
    }
  }
  if (samples[0].empty()) {
    return fail(ErrorCode::unreadable, path + ": no sound in it, or it is damaged", "record again");
  }
  const auto loudest = static_cast<std::size_t>(std::max_element(power.begin(), power.end()) - power.begin());
  auto track = follow_clicks(samples[loudest], reader->sample_rate(), cycle_guess);
  if (!track) {
    Error error = track.error();
    error.what = path + ": " + error.what;
    return tl::unexpected(error);
  }
  return track;
}

/// Without a word about cylinders the largest number named has to do.
Result<Engine> engine_of(const ClicksOptions& options) {
  EngineOptions engine = options.engine;
  const bool named = engine.cylinders || !engine.name.empty() || !engine.job.empty();
  if (!named) {
    int most = 1;
    for (const std::string& r : options.recordings) most = std::max(most, std::atoi(r.c_str()));
    engine.cylinders = std::min(most, 16);
  }
  return engine.engine();
}

ExitStatus run(const ClicksOptions& options) {
  const auto engine = engine_of(options);
  const auto speed = options.engine.speed_guess();
  if (!engine || !speed) {
    complain(engine ? speed.error() : engine.error());
    return ExitStatus::trouble;
  }
  if (!*speed) {
    complain({ErrorCode::bad_argument, "clicks needs the engine's speed", "give --rpm, as the rev counter shows it"});
    return ExitStatus::trouble;
  }
  std::vector<InjectorRecording> recordings;
  std::vector<std::string> paths;
  for (const std::string& text : options.recordings) {
    const auto file = parse_off_file(text, *engine, "clicks");
    if (!file) {
      complain(file.error());
      return ExitStatus::trouble;
    }
    const auto track = track_of(file->second, engine->cycle_frequency(**speed));
    if (!track) {
      complain(track.error());
      return ExitStatus::trouble;
    }
    recordings.push_back({file->first, *track});
    paths.push_back(file->second);
  }
  const std::vector<InjectorFinding> injectors = judge_injectors(recordings);
  const std::string json = show::clicks_to_json(injectors);
  fmt::print("{}", options.json ? json + '\n'
                                : show::clicks_to_text(injectors, text_options()));
  if (!note_in_job(options.engine.job, "clicks", paths, json, !options.json)) return ExitStatus::trouble;
  const auto any = [&](InjectorState state) {
    return std::any_of(injectors.begin(), injectors.end(), [&](const auto& f) { return f.state == state; });
  };
  if (any(InjectorState::silent)) return ExitStatus::miss;
  return any(InjectorState::unclear) ? ExitStatus::unclear : ExitStatus::no_miss;
}

}  // namespace

void add_clicks(CLI::App& program, Action& chosen) {
  const auto options = std::make_shared<ClicksOptions>();
  CLI::App* command = program.add_subcommand(
      "clicks", "Injector clicks through a stethoscope: does each one click, and how strongly");
  command->add_option("CYL=REC", options->recordings, "A cylinder and the recording made at its injector")
      ->type_name("")
      ->required();
  options->engine.add_to(*command);
  command->add_flag("--json", options->json, "One JSON object");
  command->footer(
      std::string{show::probing_caution()} +
      "\n\nExit status: 0 all click, 1 a silent one named, 2 trouble, 3 unclear.\n"
      "Example: pipebeat clicks 1=a.wav 2=b.wav 3=c.wav 4=d.wav --rpm 700");
  command->callback([&chosen, options] { chosen = [options] { return run(*options); }; });
}

}  // namespace pipebeat::cli
