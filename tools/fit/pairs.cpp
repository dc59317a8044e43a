// The evidence of recordings of one engine, taken two at a time, for tools/fit/fit-compare.
// Usage: fit_pairs LAYOUT RECORDING RECORDING [RECORDING...]; one JSON line for every two: 1 2, 1
// 3, ..., 2 3, ...
#include <cstdio>
#include <cstdlib>
#include <nlohmann/json.hpp>
#include <string>
#include <vector>

#include "audio/reader.hpp"
#include "core/compare_evidence.hpp"

namespace {

using namespace pipebeat;

ComparedRecording heard(const std::string& path, const Engine& engine,
                        std::optional<Rpm> near = {}) {
  auto reader = audio::AudioReader::open(path);
  if (!reader) {
    std::fprintf(stderr, "fit_pairs: %s\n", reader.error().what.c_str());
    std::exit(2);
  }
  ListenerOptions options;
  options.speed_guess = near;
  auto listener = Listener::create(engine, reader->sample_rate(), options);
  std::vector<float> block(4096 * static_cast<std::size_t>(reader->channels()));
  while (const auto got = reader->read(block).value()) {
    listener->push(std::span{block}.first(static_cast<std::size_t>(got)));
  }
  return as_compared(*listener);
}

/// As the program does: near the speed that the other side tells, where that puts its own in doubt.
ComparedRecording beside(ComparedRecording one, const std::string& path,
                         const ComparedRecording& other, const Engine& engine) {
  const auto near = speed_of_the_other(one.finding, other.finding);
  if (near) hear_instead(one, heard(path, engine, near));
  return one;
}

}  // namespace

int main(int argc, char** argv) {
  if (argc < 4) {
    std::fprintf(stderr, "usage: fit_pairs LAYOUT RECORDING RECORDING [RECORDING...]\n");
    return 2;
  }
  const std::vector<std::string> paths{argv + 2, argv + argc};
  std::printf("%s\n", nlohmann::json{{"side", core::side_evidence_names()},
                                     {"shared", core::shared_evidence_names()}}
                          .dump()
                          .c_str());
  const Engine engine = Engine::make(builtin_engine(argv[1]).value()).value();
  std::vector<ComparedRecording> recordings;
  for (const std::string& path : paths) recordings.push_back(heard(path, engine));
  for (std::size_t i = 0; i < paths.size(); ++i) {
    for (std::size_t j = i; j < paths.size(); ++j) {
      const ComparedRecording before = beside(recordings[i], paths[i], recordings[j], engine);
      const ComparedRecording after = beside(recordings[j], paths[j], before, engine);
      const auto evidence =
          core::pair_evidence(engine, std::span{&before, 1}, std::span{&after, 1});
      const nlohmann::json line = evidence ? nlohmann::json{{"before", evidence->before},
                                                            {"after", evidence->after},
                                                            {"shared", evidence->shared}}
                                           : nlohmann::json();
      std::printf("%s\n", line.dump().c_str());
    }
  }
}
